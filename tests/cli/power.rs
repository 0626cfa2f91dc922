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
fn rows_that_no_pull_makes_are_told_with_their_place_and_too_many_refuse_the_sheet() {
    let bench = Bench::with_bike();
    let good = "rpm,torque_nm,power_kw\n3500,50,18.3\n4000,50,20.9\n4250,50,22.3\n4500,51,24.0\n4750,51,25.4\n\
                5000,52,27.2\n5250,52,28.6\n5500,52,29.9\n6000,51,32.0\n6500,50,34.0\n7000,49,35.9\n";
    let peak = |text: &str| {
        bench.write("my sheet.csv", text);
        let json = bench.on_bike(&["--json", "power", "my sheet.csv"]).exits(0).json();
        (json["curves"][0]["peak"]["power_kw"].as_f64().expect("a power"), json["curves"][0].clone())
    };
    let (honest_kw, curve) = peak(good);
    assert_eq!(curve["unused"], serde_json::json!({}));
    // A spike, a row that drags and a standing engine change nothing.
    let bad = good.replace("5250,52,28.6", "5250,52,286\n5300,-3,-1.7\n0,52,30");
    let (kw, curve) = peak(&bad);
    assert_eq!(kw, honest_kw);
    assert_eq!(curve["unused"], serde_json::json!({ "impossible": 1, "not_pulling": 1, "wild": 1 }));
    let notes = curve["notes"].to_string();
    for place in ["line 8, column 3: `286`", "line 9, column 3: `-1.7`", "line 10, column 1: `0`"] {
        assert!(notes.contains(place), "{place}: {notes}");
    }
    // A unit slip in the other column is told, and a torque that 700 cc do not make.
    let (_, curve) = peak(
        &good
            .replace(",50,", ",36.9,")
            .replace(",51,", ",37.6,")
            .replace(",52,", ",38.4,")
            .replace(",49,", ",36.1,"),
    );
    assert!(curve["notes"].to_string().contains("the torque is in lb-ft, not in Nm"), "{}", curve["notes"]);
    let (_, curve) = peak("rpm,torque_nm\n4000,250\n5000,260\n6000,250\n");
    assert!(curve["notes"].to_string().contains("mean effective pressure"), "{}", curve["notes"]);
    bench.write("my sheet.csv", good.replace(",2", ",-2"));
    let said = bench.on_bike(&["power", "my sheet.csv"]).exits(1);
    assert!(said.err.contains("7 of 11 rows cannot be of a pull"), "{}", said.err);
    assert!(said.err.contains("line 3, column 3: `-20.9`"), "{}", said.err);
    let said = bench.on_bike(&["power", "--humidity-pct", "0.5", "my sheet.csv"]).exits(2);
    assert!(said.err.contains("did you mean 50?"), "{}", said.err);
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
        assert!(said.complains(flag), "{}", said.err);
    }
    bench.on_bike(&["power", "nowhere.csv"]).exits(1).says("nowhere.csv");
    bench.write("rides/r1/slow.csv", "time_s,rpm,throttle_pct\n0,3000,20\n0.1,3010,20\n0.2,3020,20\n");
    let slow = ["power", "--mass-kg", "245", "rides/r1/slow.csv"];
    let said = bench.on_bike(&slow).exits(1);
    assert!(
        said.complains("holds no pull") && said.complains("the throttle is not fully open"),
        "{}",
        said.err
    );
}
