use rideloop::bike::*;
use rideloop::table::*;
use rideloop::virtual_bike::*;
use std::path::Path;
fn main() {
    let bike = Bike::parse(Path::new("b"), &std::fs::read_to_string("demo-bike/bike.yaml").unwrap()).unwrap();
    let vb = VirtualBike { spec: BikeSpec::of(&bike), character: Character::mild() };
    let rpm: Vec<f64> = (2..=16).map(|i| i as f64 * 500.0).collect();
    let load = vec![0.0, 2.0, 4.0, 7.0, 10.0, 14.0, 18.0, 24.0, 32.0, 42.0, 55.0, 75.0, 100.0];
    let grid = Grid { rpm: Axis::new(rpm).unwrap(), load: Axis::new(load).unwrap() };
    let smooth = |x: f64, a: f64, b: f64| {
        let t = ((x - a) / (b - a)).clamp(0.0, 1.0);
        t * t * (3.0 - 2.0 * t)
    };
    let power = |r: f64, l: f64| {
        let base = 1.0 - 0.12 * smooth(l, 22.0, 70.0);
        let idle = 0.0 * r;
        ((base - idle) * 1000.0).round() / 1000.0
    };
    let eco = |r: f64, l: f64| {
        let cruise = 0.04
            * smooth(l, 3.0, 9.0)
            * (1.0 - smooth(l, 26.0, 45.0))
            * smooth(r, 1500.0, 2500.0)
            * (1.0 - smooth(r, 5000.0, 6500.0));
        ((power(r, l) + cruise) * 1000.0).round() / 1000.0
    };
    let res = Resolution::new(0.1).unwrap();
    let thou = Resolution::new(0.001).unwrap();
    let mk = |f: &dyn Fn(f64, f64) -> f64, res: Resolution| Table {
        values: (0..grid.cells())
            .map(|i| {
                let (r, l) = grid.point(i);
                res.snap(f(r, l))
            })
            .collect(),
        grid: grid.clone(),
        load_axis: LoadAxis::ThrottlePct,
        resolution: res,
    };
    let fuel = mk(
        &|r, l| {
            let e = 0.072 + 0.05 * (std::f64::consts::TAU * (r - 1500.0) / 4200.0).sin();
            let small = 1.0 - smooth(l, 2.0, 12.0);
            let e = e * (1.0 - small) + small * (-0.045 + 0.02 * (r / 900.0).sin());
            vb.true_table_value(r, l, power(r, l)) / (1.0 + e)
        },
        res,
    );
    for s in ["power", "economy"] {
        std::fs::write(format!("demo-bike/maps/{s}/fuel.csv"), write(&fuel)).unwrap();
    }
    std::fs::write("demo-bike/maps/power/mixture.csv", write(&mk(&power, thou))).unwrap();
    std::fs::write("demo-bike/maps/economy/mixture.csv", write(&mk(&eco, thou))).unwrap();
    println!("{}", write(&fuel));
    println!("{}", write(&mk(&eco, thou)));
}
