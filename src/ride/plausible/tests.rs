//! Each mistake with an honest log beside it that is not refused.

use crate::ride::{Loggers, Ride};
use std::path::Path;

/// Reads 400 rows at 20 a second; `row` gives the other channels of each.
fn read(titles: &str, row: &dyn Fn(f64) -> String) -> Result<Ride, String> {
    let rows: String =
        (0..400).map(|i| format!("{},{}\n", f64::from(i) * 0.05, row(f64::from(i) / 400.0))).collect();
    let text = format!("time_s,{titles}\n{rows}");
    Ride::read(Path::new("r.csv"), text.as_bytes(), &Loggers::none()).map_err(|error| error.to_string())
}

#[track_caller]
fn refused(titles: &str, row: &dyn Fn(f64) -> String, words: &str) {
    let said = read(titles, row).expect_err("refused");
    assert!(said.contains(words), "{said}");
}

#[track_caller]
fn honest(titles: &str, row: &dyn Fn(f64) -> String) -> Vec<String> {
    read(titles, row).expect("not refused").remarks()
}

#[test]
fn the_pressure_of_the_air_is_known_in_every_unit() {
    for (value, words) in
        [(14.5, "psi"), (29.5, "inches of mercury"), (1008.0, "mbar"), (0.99, "bar"), (755.0, "mbar")]
    {
        refused("baro_kpa", &|_| value.to_string(), words);
    }
    // A pass at 4000 m.
    honest("baro_kpa", &|_| "61.6".to_owned());
}

#[test]
fn manifold_pressure_in_another_unit_is_refused() {
    // From closed to open throttle and back.
    let log = |closed: f64, open: f64| {
        move |share: f64| {
            let opened = (1.1 - 1.2 * (2.0 * share - 1.0).abs()).clamp(0.0, 1.0);
            format!("{},{}", opened * 100.0, closed + (open - closed) * opened)
        }
    };
    let titles = "throttle_pct,map_kpa";
    refused(titles, &log(5.0, 14.5), "psi");
    refused(titles, &log(9.0, 29.5), "inches of mercury");
    refused(titles, &log(0.4, 0.99), "bar");
    refused(titles, &log(-60.0, 0.0), "above the air around");
    // Absolute, with the pressure around added.
    refused(titles, &log(130.0, 198.0), "with the throttle closed");
    refused("map_kpa", &|share| (4.5 + 5.0 * share).to_string(), "psi");
    honest(titles, &log(32.0, 99.0));
    // Ridden on a high pass, and a turbo.
    honest(titles, &log(22.0, 58.0));
    honest(titles, &log(35.0, 210.0));
    // Nothing but idle: too little to say anything.
    honest("rpm,map_kpa", &|_| "1100,29".to_owned());
    let said = honest("rpm,map_kpa", &|share| format!("4000,{}", 15.0 + 14.0 * share));
    assert!(said.iter().any(|remark| remark.contains("inches of mercury")), "{said:?}");
}

#[test]
fn an_engine_in_fahrenheit_is_refused_where_the_air_proves_it() {
    let titles = "engine_temp_c,air_temp_c";
    // Nothing warms up in the first seconds.
    let warmed = |share: f64| (share - 0.3).max(0.0) / 0.7;
    let engine = |from: f64, to: f64, air: f64| {
        move |share: f64| format!("{},{air}", from + (to - from) * warmed(share))
    };
    // A cold start at 20 °C: 68 °F.
    refused(titles, &engine(68.0, 195.0, 20.0), "began as cold as the air");
    refused(titles, &engine(70.0, 195.0, 68.0), "no weather is that hot");
    // A head cooled by air, cold and after a stop; coolant; a bike that stood in the sun.
    honest(titles, &engine(20.0, 205.0, 20.0));
    honest(titles, &engine(95.0, 205.0, 20.0));
    honest(titles, &engine(68.0, 96.0, 20.0));
    honest(titles, &engine(52.0, 100.0, 51.0));
    let said = honest("engine_temp_c", &|share| (68.0 + 127.0 * share).to_string());
    assert!(said.iter().any(|remark| remark.contains("if the log is in °F")), "{said:?}");
}

#[test]
fn air_in_fahrenheit_is_refused_at_speed() {
    refused("air_temp_c,speed_kph", &|_| "75,80".to_owned(), "air is not that hot");
    honest("air_temp_c,speed_kph", &|_| "48,80".to_owned());
    // Standing, or nobody knows how fast.
    let said = honest("air_temp_c,speed_kph", &|_| "75,0".to_owned());
    assert!(said[0].contains("breathes air of 75 °C"), "{said:?}");
    honest("air_temp_c", &|_| "75".to_owned());
}

#[test]
fn shares_rates_and_durations_in_another_unit_are_refused() {
    let swing = |most: f64| move |share: f64| (most * (share * 60.0).sin()).to_string();
    refused("trim_pct", &swing(0.06), "a fraction");
    honest("trim_pct", &swing(3.0));
    honest("trim_pct", &|_| "0".to_owned());
    honest("trim_pct", &|share| if share > 0.5 { "0.39".to_owned() } else { "0".to_owned() });
    refused("rpm", &|share| (20.0 + 80.0 * share).to_string(), "turns a second");
    honest("rpm", &|_| "950".to_owned());
    refused("pulse_width_ms", &|share| (0.002 + 0.008 * share).to_string(), "seconds");
    refused("pulse_width_ms", &|share| (2000.0 + 8000.0 * share).to_string(), "microseconds");
    honest("pulse_width_ms", &|share| (1.4 + 14.0 * share).to_string());
    refused("speed_kph", &|share| (500.0 * share).to_string(), "is it in km/h?");
    honest("speed_kph", &|share| (290.0 * share).to_string());
}

#[test]
fn seconds_taken_for_milliseconds_are_refused() {
    let log = |step: f64| {
        let rows: String = (0..400).map(|i| format!("{:.6},3000\n", f64::from(i) * step)).collect();
        Ride::read(Path::new("r.csv"), format!("time_s,rpm\n{rows}").as_bytes(), &Loggers::none())
    };
    assert!(log(5e-5).expect_err("too fast").to_string().contains("milliseconds"));
    // A thousand rows a second, and one in seven seconds.
    assert!(log(1e-3).is_ok() && log(7.0).is_ok());
    assert!(log(50.0).expect_err("too slow").to_string().contains("milliseconds"));
}
