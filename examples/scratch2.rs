use rideloop::operations::*;
struct P;
impl Progress for P {
    fn begin(&self, _: usize) {}
    fn ride_done(&self, _: &str) {}
    fn end(&self) {}
}
fn main() {
    let d = tempfile::tempdir().unwrap();
    let t = std::time::Instant::now();
    let r = demo(
        &d.path().join("d"),
        rideloop::ledger::Moment { unix_s: 1_780_000_000, offset_min: 0 },
        &P,
        &mut |r| println!("{r:?}"),
    );
    println!("{:?} {:?}", r.map(|r| r.high_load_leaned_pct), t.elapsed());
}
