//! Whole logs through the proposal.

use super::*;
use proptest::prelude::*;

/// An invented ride of ten minutes at ten rows a second: a cold engine that warms up, a throttle
/// that opens and closes. `row` writes what the log shows of it.
pub(super) struct Moment {
    pub t: f64,
    pub rpm: f64,
    pub throttle: f64,
    pub map: f64,
    pub lambda: f64,
    pub engine: f64,
}

fn log(titles: &str, row: impl Fn(&Moment) -> String) -> String {
    let mut text = format!("{titles}\n");
    for i in 0..6000 {
        let t = f64::from(i) * 0.1;
        let wave = (t * 0.7).sin() * 0.5 + (t * 0.13).sin() * 0.5;
        let throttle = 4.0 + 45.0 * (wave + 1.0) / 2.0;
        let moment = Moment {
            t,
            rpm: (1400.0 + 5200.0 * (wave + 1.0) / 2.0).round(),
            throttle,
            map: 32.0 + 1.25 * throttle,
            lambda: 0.97 + 0.11 * (t * 0.31).sin(),
            engine: (21.0 + t * 0.4).min(88.0),
        };
        text.push_str(&row(&moment));
        text.push('\n');
    }
    text
}

fn guess_with(text: &str, says: &[&str]) -> Guess {
    let says = says.iter().map(|say| say.parse().expect("well formed")).collect();
    let request = Request { name: "box".to_owned(), says, ..Request::default() };
    guess(Path::new("ride.csv"), text.as_bytes(), &request).unwrap_or_else(|error| panic!("{error}"))
}

fn unit_of(guess: &Guess, channel: &str) -> Option<&'static str> {
    let found = guess.channels.iter().find(|c| c.channel == channel && c.is_mapped);
    found.and_then(|channel| channel.unit)
}

fn asked(guess: &Guess, channel: &str) -> String {
    let flags = |q: &Question| q.answers.iter().map(|a| a.flag.clone()).collect::<Vec<_>>().join(" | ");
    let of = guess.questions.iter().filter(|q| q.channel == channel);
    of.map(|q| format!("{} {}", q.text, flags(q))).collect()
}

#[test]
fn units_in_titles_settle_everything() {
    let text = log("Time [s],Engine speed [1/min],TPS [%],MAP [kPa],Lambda,Coolant temp [°C]", |m| {
        format!("{:.1},{},{:.1},{:.1},{:.3},{:.1}", m.t, m.rpm, m.throttle, m.map, m.lambda, m.engine)
    });
    let guess = guess_with(&text, &[]);
    assert_eq!(guess.questions, []);
    assert_eq!(guess.trial.error, None);
    assert_eq!((guess.trial.rows, guess.trial.samples), (6000, 6000));
    for (channel, unit) in [
        ("time_s", "seconds"),
        ("rpm", "per_minute"),
        ("throttle_pct", "percent"),
        ("map_kpa", "kpa"),
        ("lambda", "lambda"),
        ("engine_temp_c", "celsius"),
    ] {
        assert_eq!(unit_of(&guess, channel), Some(unit), "{channel}");
        let found = guess.channels.iter().find(|c| c.channel == channel).expect("mapped");
        assert_eq!(found.confidence, Confidence::Sure, "{found:?}");
    }
    let reasons = |channel: &str| {
        guess.channels.iter().find(|c| c.channel == channel).expect("mapped").reasons.join("; ")
    };
    assert!(reasons("throttle_pct").contains("the manifold pressure falls when it closes"));
    assert!(reasons("engine_temp_c").contains("rises from 21 to 88"));
}

#[test]
fn what_a_wrong_unit_would_ruin_is_asked() {
    // AFR: nobody but the logger's maker knows what it shows at lambda 1.
    let afr = log("Time (s),RPM,TPS (%),AFR", |m| {
        format!("{:.1},{},{:.1},{:.2}", m.t, m.rpm, m.throttle, m.lambda * 14.7)
    });
    let guess = guess_with(&afr, &[]);
    assert_eq!(unit_of(&guess, "lambda"), None);
    assert!(guess.questions.iter().all(|q| q.is_needed));
    let said = asked(&guess, "lambda");
    assert!(
        said.contains("what does the logger show at lambda 1") && said.contains("lambda=afr:14.7"),
        "{said}"
    );
    assert!(
        guess.mapping.contains("# lambda: { title: \"AFR\", unit: afr")
            || guess.mapping.contains("# lambda: { title: \"AFR\"")
    );
    let guess = guess_with(&afr, &["lambda=afr:14.7"]);
    assert_eq!((guess.questions.len(), unit_of(&guess, "lambda")), (0, Some("afr")));
    assert!(guess.mapping.contains("unit: afr, stoich_afr: 14.7"), "{}", guess.mapping);
    // No name for it but a sensor's: lambda or its inverse.
    let said = asked(
        &guess_with(&log("Time (s),RPM,WB", |m| format!("{:.1},{},{:.3}", m.t, m.rpm, m.lambda)), &[]),
        "lambda",
    );
    assert!(
        said.contains("column 3 `WB` runs from 0.86 to 1.08") && said.contains("lambda or phi"),
        "{said}"
    );
    // The name says lambda, the readings AFR.
    let said = asked(
        &guess_with(
            &log("Time (s),RPM,Lambda", |m| format!("{:.1},{},{:.2}", m.t, m.rpm, m.lambda * 14.7)),
            &[],
        ),
        "lambda",
    );
    assert!(said.contains("said to be in lambda") && said.contains("looks like afr"), "{said}");
    // A fraction, with and without a sign of percent.
    for title in ["TPS", "TPS [%]"] {
        let text = log(&format!("Time (s),RPM,{title}"), |m| {
            format!("{:.1},{},{:.3}", m.t, m.rpm, m.throttle / 100.0)
        });
        let guess = guess_with(&text, &[]);
        let said = asked(&guess, "throttle_pct");
        assert!(said.contains("throttle_pct=fraction"), "{title}: {said}");
        assert_eq!(unit_of(&guess, "throttle_pct"), None, "{title}");
    }
    let text =
        log("Time (s),RPM,TPS,Pressure", |m| format!("{:.1},{},{:.3},1", m.t, m.rpm, m.throttle / 100.0));
    assert_eq!(unit_of(&guess_with(&text, &["throttle_pct=fraction"]), "throttle_pct"), Some("fraction"));
}

#[test]
fn temperatures_and_pressures_are_settled_only_beyond_doubt() {
    let temp = |value: fn(f64) -> f64, title: &str| {
        let text =
            log(&format!("Time (s),RPM,{title}"), |m| format!("{:.1},{},{:.0}", m.t, m.rpm, value(m.engine)));
        guess_with(&text, &[])
    };
    assert_eq!(unit_of(&temp(|c| c, "Coolant"), "engine_temp_c"), Some("celsius"));
    assert_eq!(unit_of(&temp(|c| c * 1.8 + 32.0, "Coolant"), "engine_temp_c"), Some("fahrenheit"));
    // Oil may be 190 °C hot.
    let said = asked(&temp(|c| c * 1.8 + 32.0, "Oil temp"), "engine_temp_c");
    assert!(said.contains("celsius or fahrenheit"), "{said}");
    assert!(asked(&temp(|c| c + 60.0, "Coolant [°C]"), "engine_temp_c").contains("said to be in °C"));
    let pressure = |value: fn(f64) -> f64, title: &str| {
        let text =
            log(&format!("Time (s),RPM,{title}"), |m| format!("{:.1},{},{:.2}", m.t, m.rpm, value(m.map)));
        guess_with(&text, &[])
    };
    assert_eq!(unit_of(&pressure(|kpa| kpa, "MAP"), "map_kpa"), Some("kpa"));
    assert_eq!(unit_of(&pressure(|kpa| kpa / 6.895, "MAP [psi]"), "map_kpa"), Some("psi"));
    // Below the air around, and the log has no air pressure.
    let said = asked(&pressure(|kpa| (kpa - 100.0) / 6.895, "MAP [psi]"), "map_kpa");
    assert!(said.contains("counts from the air around") && said.contains("map_kpa=psi_gauge:100"), "{said}");
    let said = asked(&pressure(|kpa| kpa / 3.386, "MAP"), "map_kpa");
    assert!(said.contains("inhg"), "{said}");
}

#[test]
fn two_columns_of_one_channel_are_both_told_and_none_is_taken() {
    let text = log("Time (s),RPM,Throttle [%],TPS [%],STFT,LTFT", |m| {
        format!(
            "{:.1},{},{:.1},{:.1},{:.1},-3.1",
            m.t,
            m.rpm,
            m.throttle,
            100.0 - m.throttle,
            m.lambda * 10.0 - 8.0
        )
    });
    let guess = guess_with(&text, &[]);
    let said = asked(&guess, "throttle_pct");
    assert!(said.contains("`Throttle [%]`") && said.contains("`TPS [%]`"), "{said}");
    assert_eq!(unit_of(&guess, "throttle_pct"), None);
    let guess = guess_with(&text, &["throttle_pct=TPS [%]"]);
    assert_eq!(unit_of(&guess, "throttle_pct"), Some("percent"));
    // AFR and lambda of one sensor are no two sensors.
    let text = log("Time (s),RPM,Lambda,AFR", |m| {
        format!("{:.1},{},{:.3},{:.2}", m.t, m.rpm, m.lambda, m.lambda * 14.7)
    });
    assert_eq!(unit_of(&guess_with(&text, &[]), "lambda"), Some("lambda"));
}

#[test]
fn times_are_told_apart_by_their_pace() {
    let time = |title: &str, write: fn(f64) -> String| {
        let text = log(&format!("{title};RPM"), |m| format!("{};{}", write(m.t), m.rpm));
        guess_with(&text, &[])
    };
    for (title, write, form) in [
        ("Time", (|t| format!("{t:.1}")) as fn(f64) -> String, "seconds"),
        ("Time", |t| format!("{:.0}", t * 1000.0), "milliseconds"),
        ("Timestamp", |t| format!("{:.0}", 1.7e15 + t * 1e6), "microseconds"),
        ("Uhrzeit", |t| format!("18:{:02}:{:04.1}", (t / 60.0) as u32, t % 60.0), "clock"),
        ("Date", |t| format!("13.05.2026 18:{:02}:{:04.1}", (t / 60.0) as u32, t % 60.0), "date_time"),
    ] {
        let guess = time(title, write);
        assert_eq!(unit_of(&guess, "time_s"), Some(form), "{}", guess.mapping);
        assert_eq!(guess.trial.samples, 6000, "{form}");
    }
    // One row a second, or a thousand.
    let said = asked(&time("Time", |t| format!("{:.0}", t * 10.0)), "time_s");
    assert!(said.contains("time_s=seconds") && said.contains("time_s=milliseconds"), "{said}");
    // Whole seconds with ten rows in each.
    let guess = time("Zeit", |t| format!("18:{:02}:{:02}", (t / 60.0) as u32, (t % 60.0) as u32));
    assert!(guess.mapping.contains("spread: true"), "{}", guess.mapping);
    let said = asked(&time("Row count", |t| format!("{:.0}", t * 10.0)), "time_s");
    assert!(said.contains("no column bears a name of the time"), "{said}");
}

#[test]
fn what_is_no_log_is_refused_in_words() {
    let said = |bytes: &[u8]| {
        let error = guess(Path::new("x.csv"), bytes, &Request::default()).expect_err("no log");
        error.to_string()
    };
    assert!(said(b"").contains("empty"));
    assert!(said(b"\x89PNG\r\n\x1a\n\0\0").contains("PNG"));
    assert!(said(&[0, 1, 2, 3, 0, 200, 0, 255].repeat(40)).contains("binary"));
    assert!(said(b"speed\n1\n2\n").contains("several fields"));
    assert!(said(b"time_s,rpm\n0,1\n1,2\n").contains("channels' own"));
    assert!(said(format!("a{}\n", ";1".repeat(300_000)).as_bytes()).contains("kB long"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn no_text_panics(text in "(Time[,;\t]RPM[,;\t](AFR|TPS|PID)\r?\n)?([0-9.,;:\"a\t\r\n°-]{0,160})") {
        let _ = guess(Path::new("r.csv"), text.as_bytes(), &Request::default());
    }
}
