use rideloop::operations::*;
use rideloop::virtual_bike::*;
struct P;
impl Progress for P {
    fn begin(&self, _: usize) {}
    fn ride_done(&self, _: &str) {}
    fn end(&self) {}
}
fn main() {
    let d = tempfile::tempdir().unwrap();
    let root = d.path().join("d");
    let _ = demo(&root, rideloop::ledger::Moment { unix_s: 1_780_000_000, offset_min: 0 }, &P, &mut |r| {
        println!("{:.2} -> {:.2}", r.before.rms_pct, r.after.rms_pct)
    });
    let b = OpenBike::open(&root).unwrap();
    let t = b.today("power");
    let vb = VirtualBike { spec: BikeSpec::of(&b.folder.bike), character: Character::mild() };
    let fuel = |r: f64, l: f64| t.fuel.at(r, l);
    let mix = |r: f64, l: f64| t.mixture.at(r, l);
    let log = vb.ride(
        &fuel,
        &mix,
        &RideRequest {
            seed: 9001,
            minutes: 30.0,
            rate_hz: 20.0,
            cold_start: true,
            ambient: Ambient { air_temp_c: 21.0, baro_kpa: 100.2, humidity_rh: 0.5 },
            style: RideStyle::Road,
        },
    );
    let rb = [0.0, 1400.0, 2000.0, 2500.0, 3000.0, 4000.0, 5000.0, 6000.0, 9000.0];
    let lb = [0.0, 0.5, 1.5, 3.0, 6.0, 10.0, 14.0, 18.0, 24.0, 30.0, 40.0, 55.0, 101.0];
    let mut n = vec![vec![0.0f64; 12]; 8];
    let mut s = n.clone();
    let mut q = n.clone();
    let mut st = n.clone();
    let mut tot = (0.0f64, 0.0f64, 0.0f64);
    for i in (0..log.len()).step_by(5) {
        if log.engine_temp_c[i] < 75.0 || log.fuel_cut[i] > 0.5 {
            continue;
        }
        let (r, l) = (log.rpm[i], log.throttle_pct[i]);
        let a = rb.partition_point(|x| *x <= r).clamp(1, 8) - 1;
        let c = lb.partition_point(|x| *x <= l).clamp(1, 12) - 1;
        let e = (vb.true_table_value(r, l, mix(r, l)) / fuel(r, l) - 1.0) * 100.0;
        n[a][c] += 1.0;
        s[a][c] += e;
        q[a][c] += e * e;
        st[a][c] += log.truth.steady_lambda_error[i] * 100.0;
        tot.0 += 1.0;
        tot.1 += e * e;
        tot.2 += (log.truth.steady_lambda_error[i] * 100.0).powi(2);
    }
    for c in b.evidence_at(&b.newest().unwrap().commit, "power").unwrap() {
        if c.load < 5.0 && c.required.is_some() {
            println!("{:?}", c)
        }
    }
    println!("rms ref {:.2} steady {:.2}", (tot.1 / tot.0).sqrt(), (tot.2 / tot.0).sqrt());
    println!("load {:?}", &lb[..12]);
    for a in 0..8 {
        print!("{:>5} ", rb[a]);
        for c in 0..12 {
            if n[a][c] > 5.0 {
                print!(
                    "{:>5.1}%{:>5.1}/{:>4.1}/{:>5.1}",
                    n[a][c] / tot.0 * 100.0,
                    s[a][c] / n[a][c],
                    (q[a][c] / n[a][c]).sqrt(),
                    st[a][c] / n[a][c]
                )
            } else {
                print!("{:>22}", "")
            }
        }
        println!();
    }
}
