//! `power` from outside: sheets and pulls, before and after, and how bad numbers end.

use crate::bench::Bench;

/// A sheet of a dyno, with so much more torque.
pub fn sheet(gain: f64) -> String {
    let rows = (12..=33).map(|k| {
        let rpm = 250.0 * f64::from(k);
        // A torque that is highest at 5500 1/min.
        let nm = gain * 62.0 * (1.0 - ((rpm - 5500.0) / 7000.0).powi(2));
        format!("{rpm};{:.2}\n", nm * rpm * std::f64::consts::TAU / 60_000.0)
    });
    format!("Fernhill 700;\nrpm;Wheel power [kW]\n{}bad;row\n", rows.collect::<String>().replace('.', ","))
}

#[test]
fn before_and_after_on_a_dyno_are_drawn_compared_and_told_with_their_uncertainty() {
    let bench = Bench::empty();
    std::fs::write(bench.home().join("before.csv"), sheet(1.0)).expect("written");
    std::fs::write(bench.home().join("after.csv"), sheet(1.06)).expect("written");
    let said = bench.rideloop(&["power", "before.csv", "after.csv"]).exits(0);
    insta::assert_snapshot!("power", said.out);
    let json = bench.rideloop(&["--json", "power", "before.csv", "after.csv"]).exits(0).json();
    let area = &json["comparisons"][0]["area"];
    assert!((area["gain_pct"].as_f64().expect("a gain") - 6.0).abs() < 0.1, "{area}");
    assert_eq!(area["is_more_than_uncertainty"], true);
    assert_eq!(json["curves"][0]["unused"]["unreadable"], 1);
    assert_eq!(json["comparisons"][0]["shared"], serde_json::json!(["dyno_scale"]));
    let peak = json["curves"][0]["peak"]["power_kw"].as_f64().expect("a power");
    let corrected = ["--correct", "eu", "--air-temp-c", "30", "--pressure-kpa", "90"];
    let json = bench.rideloop(&[&["--json", "power", "before.csv"], &corrected[..]].concat()).exits(0).json();
    let curve = &json["curves"][0];
    let factor = curve["correction_factor"].as_f64().expect("a factor");
    assert!((curve["peak"]["power_kw"].as_f64().expect("a power") / peak / factor - 1.0).abs() < 1e-9);
    assert!(curve["notes"].to_string().contains("0.93 to 1.07"), "{curve}");
}

#[test]
fn numbers_that_cannot_be_and_rides_without_a_pull_end_with_what_to_do() {
    let bench = Bench::with_bike();
    for (flag, value) in [
        ("--mass-kg", "0"),
        ("--mass-kg", "nan"),
        ("--cda-m2", "-0.5"),
        ("--crr", "0.015±nan"),
        ("--k-rot", "inf"),
        ("--step-rpm", "0"),
        ("--window-s", "nan"),
    ] {
        let said = bench.on_bike(&["power", flag, value, "ride.csv"]).exits(2);
        assert!(said.err.contains(flag), "{}", said.err);
    }
    bench.on_bike(&["power", "nowhere.csv"]).exits(1).says("nowhere.csv");
    bench.write("rides/r1/slow.csv", "time_s,rpm,throttle_pct\n0,3000,20\n0.1,3010,20\n0.2,3020,20\n");
    let slow = ["power", "--mass-kg", "245", "rides/r1/slow.csv"];
    let said = bench.on_bike(&slow).exits(1);
    assert!(
        said.err.contains("holds no pull") && said.err.contains("the throttle is not fully open"),
        "{}",
        said.err
    );
}
