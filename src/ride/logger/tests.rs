//! Whole logs of other makes through the mappings that read them.

use super::*;
use crate::problem::Problem;
use crate::ride::{Channel, Ride};

/// The files of an invented folder.
struct Folder(Vec<(String, String)>);

impl FileSource for Folder {
    fn bytes(&self, path: &str) -> Result<Option<Vec<u8>>, Problem> {
        Ok(self.0.iter().find(|(known, _)| known == path).map(|(_, text)| text.clone().into_bytes()))
    }

    fn list(&self, _: &str) -> Result<Vec<String>, Problem> {
        Ok(self.0.iter().map(|(path, _)| path.clone()).collect())
    }
}

fn loggers(files: &[(&str, &str)]) -> Loggers {
    let files = files.iter().map(|(name, text)| (format!("loggers/{name}.yaml"), (*text).to_owned()));
    Loggers::read(&Folder(files.collect())).expect("loggers")
}

fn read_as(path: &str, bytes: &[u8], mapping: &str) -> Result<Ride, RideError> {
    Ride::read(Path::new(path), bytes, &loggers(&[("box", mapping)]))
}

fn ride(bytes: &[u8], mapping: &str) -> Ride {
    read_as("ride.csv", bytes, mapping).expect("a ride")
}

fn said(text: &str, mapping: &str) -> String {
    read_as("ride.csv", text.as_bytes(), mapping).expect_err("refused").to_string()
}

fn values(ride: &Ride, channel: Channel) -> Vec<f64> {
    ride.values(channel).expect("the channel").to_vec()
}

/// Values with two decimals, `-` for missing.
fn shown(ride: &Ride, channel: Channel) -> String {
    let words: Vec<String> = values(ride, channel)
        .iter()
        .map(|v| if v.is_nan() { "-".to_owned() } else { crate::units::plain((v * 100.0).round() / 100.0) })
        .collect();
    words.join(" ")
}

const PLAIN: &str =
    "time: { title: Time, as: seconds }\nchannels: { rpm: { title: Speed }, lambda: { title: WB } }\n";

#[test]
fn a_log_of_another_make_is_read_end_to_end() {
    let mapping = "\
about: the box under the seat of the Fernhill
time: { title: Uhrzeit, as: clock }
channels:
  rpm: { title: Drehzahl }
  lambda: { title: AFR, unit: afr, stoich_afr: 14.0 }
  engine_temp_c: { title: Oil, unit: fahrenheit }
  throttle_pct: { title: TPS raw, from: [28, 228], to: [0, 100] }
  map_kpa: { title: MAP, unit: psi_gauge }
  baro_kpa: { title: Luftdruck, unit: hpa }
  speed_kph: { title: Tempo, unit: mph }
  lambda_2: { title: WB2, volts: { 0.0: 0.68, 5.0: 1.36 } }
  spark_deg: { title: Vorzündung }
";
    let text = "Box 3\r\n\r\n\"Uhrzeit\";\"Drehzahl [1/min]\";\"AFR\";\"Oil (°F)\";\"TPS raw\";MAP;Luftdruck;Tempo;WB2;\r\n\
                23:59:59,5;3000;13,3;194;128;0,0;990;60;2,5;\r\n\
                00:00:00,0;3010;14,0;194,9;28;-5,0;990;60;5,5;\r\n\
                00:00:00,5;\"3020\";;194;x;-5,0;;60;5;\r\n";
    let latin1: Vec<u8> = text.chars().map(|c| c as u8).collect();
    for bytes in [text.as_bytes(), latin1.as_slice()] {
        let ride = ride(bytes, mapping);
        assert_eq!(shown(&ride, Channel::TimeS), "0 0.5 1");
        assert_eq!(shown(&ride, Channel::Rpm), "3000 3010 3020");
        assert_eq!(shown(&ride, Channel::Lambda), "0.95 1 -");
        assert_eq!(shown(&ride, Channel::EngineTempC), "90 90.5 90");
        assert_eq!(shown(&ride, Channel::ThrottlePct), "50 0 -");
        // Without the pressure around, a gauge pressure is not known.
        assert_eq!(shown(&ride, Channel::MapKpa), "99 64.53 -");
        assert_eq!(shown(&ride, Channel::SpeedKph), "96.56 96.56 96.56");
        assert_eq!(shown(&ride, Channel::Lambda2), "1.02 - 1.36");
        let bad: Vec<(u64, u64, &str, &str)> =
            ride.reading.unparsable.iter().map(|b| (b.line, b.column, b.channel, b.value.as_str())).collect();
        assert_eq!(bad, [(5, 9, "lambda_2", "5,5"), (6, 5, "throttle_pct", "x")]);
        let remarks = ride.remarks();
        assert!(remarks[0].contains("lacks `Vorzündung`, from which `spark_deg`"), "{remarks:?}");
        let logger = ride.logger.expect("a logger");
        assert_eq!((logger.name.as_str(), logger.sha256), ("box", hash(mapping.as_bytes())));
    }
}

#[test]
fn a_log_with_the_channels_own_names_needs_no_logger_and_takes_none() {
    let log = b"time_s,rpm,lambda\n0,3000,0.95\n0.1,3001,0.96\n";
    let mapping =
        "time: { title: time_s, as: milliseconds }\nchannels: { rpm: { title: rpm, unit: per_second } }\n";
    let with = ride(log, mapping);
    let without = Ride::read(Path::new("ride.csv"), log, &Loggers::none()).expect("a ride");
    assert_eq!(with.logger, None);
    for channel in [Channel::TimeS, Channel::Rpm, Channel::Lambda] {
        assert_eq!(values(&with, channel), values(&without, channel));
    }
}

#[test]
fn exactly_one_logger_must_fit() {
    let log = b"Time,Speed,WB\n0,3000,0.95\n1,3001,0.96\n";
    let read = |files: &[(&str, &str)]| Ride::read(Path::new("r1/a.csv"), log, &loggers(files));
    let other = PLAIN.replace("Time", "Zeit");
    let error = read(&[("other", &other)]).expect_err("none fits");
    assert!(error.to_string().contains("(Time, Speed, WB)"), "{error}");
    assert!(error.hint().expect("advice").contains("rideloop logger guess"), "{error}");
    let error = read(&[("a", PLAIN), ("b", PLAIN)]).expect_err("both fit");
    assert!(error.to_string().contains("several loggers fit it: a, b"), "{error}");
    let by_title = format!("recognise: {{ titles: [Gear] }}\n{PLAIN}");
    let by_name = format!("recognise: {{ files: 'A*.c?v' }}\n{PLAIN}");
    let ride = read(&[("a", &by_title), ("b", &by_name), ("c", &other)]).expect("one fits");
    assert_eq!(ride.logger.expect("a logger").name, "b");
}

#[test]
fn a_title_that_contradicts_the_mapping_is_refused_in_words() {
    let said_of = |title: &str, column: &str| {
        let mapping = format!("time: {{ title: T, as: seconds }}\nchannels: {{ {column} }}\n");
        said(&format!("T,{title}\n0,1\n1,2\n"), &mapping)
    };
    let said = said_of("Oil [°F]", "engine_temp_c: { title: Oil }");
    assert!(said.contains("`Oil [°F]` is in °F, but `engine_temp_c` is mapped as celsius"), "{said}");
    assert!(said.contains("`unit: fahrenheit` would say so"), "{said}");
    let said = said_of("MAP (kPa)", "map_kpa: { title: MAP, unit: psi }");
    assert!(said.contains("is in kPa, but `map_kpa` is mapped as psi"), "{said}");
    let said = said_of("MAP (V)", "map_kpa: { title: MAP }");
    assert!(said.contains("is it the right column?"), "{said}");
    let said = said_of("Speed,Speed", "rpm: { title: Speed }");
    assert!(said.contains("appears twice"), "{said}");
    let log = "T [ms],n\n0,1\n1,2\n";
    let mapping = "time: { title: T, as: seconds }\nchannels: { rpm: { title: n } }\n";
    let error = read_as("r.csv", log.as_bytes(), mapping).expect_err("ms").to_string();
    assert!(error.contains("`as: milliseconds` would say so"), "{error}");
}

#[test]
fn a_log_with_one_row_a_value_becomes_rows_of_samples() {
    let mapping = "\
layout: { long: { name: PID, value: VALUE, unit: UNITS } }
time: { title: SECONDS, as: seconds }
rows_of: lambda
sparse: { interpolate_s: 1 }
channels:
  rpm: { title: Engine RPM }
  lambda: { title: Lambda }
  gear: { title: Gear }
  trim_pct: { sum_of: [STFT, LTFT] }
";
    let text = "\"SECONDS\";\"PID\";\"VALUE\";\"UNITS\";\n\
                \"39.0\";\"Engine RPM\";\"3000\";\"rpm\";\n\
                \"39.0\";\"Gear\";\"3\";\"\";\n\
                \"39.0\";\"STFT\";\"10\";\"%\";\n\
                \"39.0\";\"LTFT\";\"-10\";\"%\";\n\
                \"39.2\";\"Lambda\";\"0.98\";\"\";\n\
                \"39.4\";\"Engine RPM\";\"3200\";\"rpm\";\n\
                \"39.4\";\"STFT\";\"10\";\"%\";\n\
                \"39.4\";\"LTFT\";\"-10\";\"%\";\n\
                \"39.5\";\"Voltage\";\"14\";\"V\";\n\
                \"39.6\";\"Lambda\";\"0.99\";\"\";\n\
                \"40.6\";\"Engine RPM\";\"3800\";\"rpm\";\n";
    let ride = ride(text.as_bytes(), mapping);
    assert_eq!(shown(&ride, Channel::TimeS), "0.2 0.6");
    assert_eq!(shown(&ride, Channel::Rpm), "3100 -");
    assert_eq!(shown(&ride, Channel::Lambda), "0.98 0.99");
    assert_eq!(shown(&ride, Channel::Gear), "3 3");
    assert_eq!(shown(&ride, Channel::TrimPct), "-1 -");
    assert_eq!(ride.reading.rows, 2);
    let mapping = mapping.replace("Engine RPM }", "Engine RPM, unit: per_second }");
    assert!(said(text, &mapping).contains("is in rpm"));
}

#[test]
fn sparse_columns_are_missing_held_or_interpolated_as_the_mapping_says() {
    let log = b"Time,Speed,WB,Tach\n0,3000,1,\n1,,2,\n2,3200,,50\n3,,,\n";
    let with = |rpm: &str, all: &str| {
        let mapping = format!(
            "time: {{ title: Time, as: seconds }}\n{all}channels: {{ rpm: {{ title: Speed{rpm} }}, lambda: {{ title: WB }} }}\n"
        );
        let ride = ride(log, &mapping);
        (shown(&ride, Channel::Rpm), shown(&ride, Channel::Lambda))
    };
    let pair = |rpm: &str, lambda: &str| (rpm.to_owned(), lambda.to_owned());
    assert_eq!(with("", ""), pair("3000 - 3200 -", "1 2 - -"));
    assert_eq!(with(", sparse: { hold_s: 1 }", ""), pair("3000 3000 3200 3200", "1 2 - -"));
    assert_eq!(with(", sparse: { interpolate_s: 2 }", ""), pair("3000 3100 3200 -", "1 2 - -"));
    assert_eq!(with("", "sparse: { hold_s: 1 }\n"), pair("3000 3000 3200 3200", "1 2 2 -"));
}

#[test]
fn encodings_line_ends_and_packing_change_nothing() {
    let text = "Time\tSpeed\tWB\n0\t3000\t0.95\n1\t3001\t0.96\n";
    let wanted = shown(&ride(text.as_bytes(), PLAIN), Channel::Rpm);
    let mark = |mark: &[u8], text: &str, bytes: fn(u16) -> [u8; 2]| -> Vec<u8> {
        mark.iter().copied().chain(text.encode_utf16().flat_map(bytes)).collect()
    };
    let crlf = text.replace('\n', "\r\n");
    let logs: [(&str, Vec<u8>); 6] = [
        ("utf16.tsv", mark(b"\xff\xfe", &crlf, u16::to_le_bytes)),
        ("utf16.csv", mark(b"\xfe\xff", text, u16::to_be_bytes)),
        ("bom.tsv", [b"\xef\xbb\xbf".as_slice(), text.as_bytes()].concat()),
        ("mac.tsv", text.replace('\n', "\r").into_bytes()),
        ("mixed.tsv", b"Time\tSpeed\tWB\r0\t3000\t0.95\r\n1\t3001\t0.96\n".to_vec()),
        ("packed.tsv.zst", zstd::stream::encode_all(text.as_bytes(), 3).expect("packed")),
    ];
    for (name, bytes) in logs {
        let ride = read_as(name, &bytes, PLAIN).unwrap_or_else(|error| panic!("{name}: {error}"));
        assert_eq!(shown(&ride, Channel::Rpm), wanted, "{name}");
        assert_eq!(ride.sha256, hash(&bytes), "{name}");
    }
}

#[test]
fn parquet_of_another_make_is_mapped_too() {
    use polars::prelude::*;
    let mut frame = DataFrame::new(
        3,
        vec![
            Column::new("Timestamp [ms]".into(), [0i64, 100, 200]),
            Column::new("Engine speed".into(), [Some(50.0f32), None, Some(51.0)]),
            Column::new("AFR".into(), [Some("14.7"), Some("x"), None]),
            Column::new("Map".into(), [1i32, 1, 2]),
        ],
    )
    .expect("a frame");
    let mut bytes = Vec::new();
    ParquetWriter::new(&mut bytes).finish(&mut frame).expect("written");
    let mapping = "\
time: { title: Timestamp, as: milliseconds }
channels:
  rpm: { title: Engine speed, unit: per_second }
  lambda: { title: AFR, unit: afr, stoich_afr: 14.7 }
  slot: { title: Map, slots: { 1: power, 2: economy } }
";
    let ride = read_as("ride.parquet", &bytes, mapping).expect("a ride");
    assert_eq!(shown(&ride, Channel::TimeS), "0 0.1 0.2");
    assert_eq!(shown(&ride, Channel::Rpm), "3000 - 3060");
    assert_eq!(shown(&ride, Channel::Lambda), "1 - -");
    let slots: Vec<_> = ride.slots().expect("slots").collect();
    assert_eq!(slots, [Some("power"), Some("power"), Some("economy")]);
    assert_eq!(ride.reading.unparsable[0].value, "x");
}

#[test]
fn rows_of_one_second_are_spread_or_told_of() {
    let rows: String = (0..40).map(|i| format!("18:00:{:02},{},1\n", i / 4, 3000 + i)).collect();
    let log = format!("Time,Speed,WB\n{rows}");
    let mapping = PLAIN.replace("as: seconds", "as: clock");
    let coarse = ride(log.as_bytes(), &mapping);
    assert_eq!((coarse.samples(), coarse.reading.dropped["duplicate_time"]), (10, 30));
    assert!(coarse.remarks()[0].contains("spread: true"));
    let spread = ride(log.as_bytes(), &mapping.replace("as: clock", "as: clock, spread: true"));
    assert_eq!(spread.samples(), 40);
    assert_eq!(spread.sample_interval_s(), 0.25);
}

#[test]
fn every_row_of_a_foreign_log_is_counted() {
    let log = b"Time;Speed;WB\n0;3000;1;\n1;3001\n2;3002;1;9\nx;3003;1\n3;3004;1\n3;3005;1\n4;30";
    let ride = ride(log, PLAIN);
    let dropped: Vec<_> = ride.reading.dropped.iter().map(|(k, v)| (*k, *v)).collect();
    assert_eq!(
        dropped,
        [("duplicate_time", 1), ("half_written_line", 1), ("no_time", 1), ("wrong_field_count", 2)]
    );
    assert_eq!(ride.reading.rows, ride.samples() + 5);
}

/// One logger of each layout, read once.
static OF_EACH_LAYOUT: std::sync::LazyLock<[Loggers; 2]> = std::sync::LazyLock::new(|| {
    let long = "layout: { long: { name: Speed, value: WB } }\ntime: { title: Time, as: clock, spread: true }\nchannels: { rpm: { title: a } }\n";
    [loggers(&[("wide", PLAIN)]), loggers(&[("long", long)])]
});

proptest::proptest! {
    #[test]
    fn no_text_panics(text in "(Time[,;\t]Speed[,;\t]WB\r?\n)?([0-9.,;:\"a\t\r\n°-]{0,160})") {
        for loggers in &*OF_EACH_LAYOUT {
            let _ = Ride::read(Path::new("r.csv"), text.as_bytes(), loggers);
            let _ = Ride::read(Path::new("r.csv.gz"), text.as_bytes(), loggers);
        }
    }
}
