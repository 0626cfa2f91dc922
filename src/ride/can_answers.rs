//! Answers of engine control units, out of logged CAN frames.
//!
//! A tester asks for a parameter of SAE J1979 (see `obd`), the unit answers on a CAN id of its
//! own: ISO 15765-4 gives the answers of up to eight units the ids 7E8 to 7EF (from memory).
//! Answers of more than one frame hold no parameter that is listed, and are counted only.

use super::mdf::CanFrame;
use super::obd::{self, Parameter};
use std::collections::BTreeMap;
use std::ops::RangeInclusive;

/// The 11-bit ids of the answers; from memory.
const ANSWER_IDS: RangeInclusive<u32> = 0x7E8..=0x7EF;
/// "Show current data" is service 01; an answer's first byte is the service with this bit.
const CURRENT_DATA: u8 = 0x41;
/// The first byte of a refusal (ISO 14229).
const REFUSED: u8 = 0x7F;
/// ISO 15765-2: the upper four bits of the first byte tell the frame's kind, 0 is all in one; the
/// lower four how many bytes follow.
const KIND_SHIFT: u32 = 4;
const LENGTH_MASK: u8 = 0x0F;

/// The values of one parameter, as one unit answered them.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// What they are.
    pub parameter: &'static Parameter,
    /// The CAN id of the unit that answered.
    pub answered_by: u32,
    /// Seconds from the start of the measurement, as long as `values`.
    pub times_s: Vec<f64>,
    /// In the parameter's unit.
    pub values: Vec<f64>,
}

/// What was answered on the bus, and what became of every frame.
#[derive(Debug, Default)]
pub struct Answers {
    /// By parameter id, place in the answer, and unit.
    pub series: Vec<Series>,
    /// Frames whose values are in the series, whole or in part.
    pub read: usize,
    /// Frames with other ids: requests, and whatever else is on the bus.
    pub other_frames: usize,
    /// Frames of answers that take several frames.
    pub in_parts: usize,
    /// Answers to other services, or in a shape that no service has.
    pub other_answers: usize,
    /// Refusals.
    pub refused: usize,
    /// How often each parameter id was answered that is not listed, or with too few bytes.
    pub unknown: BTreeMap<u8, usize>,
}

/// Reads every answer among frames, which are in the order of their times.
pub fn read(frames: &[CanFrame<'_>]) -> Answers {
    let mut answers = Answers::default();
    let mut series: BTreeMap<(u8, &str, u32), Series> = BTreeMap::new();
    for frame in frames {
        if frame.extended || !ANSWER_IDS.contains(&frame.id) {
            answers.other_frames += 1;
            continue;
        }
        let Some((first, rest)) = frame.data.split_first() else {
            answers.other_answers += 1;
            continue;
        };
        if first >> KIND_SHIFT != 0 {
            answers.in_parts += 1;
            continue;
        }
        match rest.get(..usize::from(first & LENGTH_MASK)).and_then(<[u8]>::split_first) {
            Some((&CURRENT_DATA, answer)) => {
                let values = answers.values(answer);
                answers.read += usize::from(!values.is_empty());
                for (parameter, value) in values {
                    let key = (parameter.pid, parameter.name, frame.id);
                    let series = series.entry(key).or_insert_with(|| Series {
                        parameter,
                        answered_by: frame.id,
                        times_s: Vec::new(),
                        values: Vec::new(),
                    });
                    series.times_s.push(frame.time_s);
                    series.values.push(value);
                }
            }
            Some((&REFUSED, _)) => answers.refused += 1,
            _ => answers.other_answers += 1,
        }
    }
    answers.series = series.into_values().collect();
    answers
}

impl Answers {
    /// The values in one answer, which may hold several parameters, each behind its id.
    fn values(&mut self, answer: &[u8]) -> Vec<(&'static Parameter, f64)> {
        let mut values = Vec::new();
        let mut rest = answer;
        while let Some((pid, data)) = rest.split_first() {
            let Some(length) = obd::answer_bytes(*pid).filter(|length| *length <= data.len()) else {
                *self.unknown.entry(*pid).or_default() += 1;
                break;
            };
            values.extend(obd::decode(*pid, &data[..length]));
            rest = &data[length..];
        }
        values
    }
}

#[cfg(test)]
mod tests {
    use super::super::mdf;
    use super::*;
    use std::path::{Path, PathBuf};

    fn frame(time_s: f64, id: u32, data: &[u8]) -> CanFrame<'_> {
        CanFrame { time_s, id, extended: false, data }
    }

    #[test]
    fn single_frame_answers_become_series_and_everything_else_is_counted() {
        let frames = [
            frame(0.0, 0x7DF, &[2, 0x01, 0x0C, 0, 0, 0, 0, 0]),
            frame(0.1, 0x7E8, &[4, 0x41, 0x0C, 0x1A, 0xF8, 0xAA, 0xAA, 0xAA]),
            frame(0.2, 0x7E9, &[4, 0x41, 0x0C, 0x1A, 0xF0, 0xAA, 0xAA, 0xAA]),
            frame(0.3, 0x7E8, &[6, 0x41, 0x0B, 0x64, 0x11, 0xFF, 0x55]),
            frame(0.4, 0x7E8, &[0x10, 0x14, 0x49, 0x02, 0x01, 0x41, 0x42, 0x43]),
            frame(0.5, 0x7E8, &[3, 0x7F, 0x01, 0x12, 0, 0, 0, 0]),
            frame(0.6, 0x7E8, &[6, 0x41, 0x00, 0xFF, 0xFF, 0xFF, 0xFF]),
            frame(0.7, 0x7E8, &[7, 0x41, 0x0C]),
            frame(0.8, 0x7E8, &[]),
            frame(0.9, 0x7E8, &[4, 0x41, 0x0C, 0x00, 0x04]),
        ];
        let answers = read(&frames);
        let series: Vec<_> = answers
            .series
            .iter()
            .map(|series| {
                (
                    series.parameter.name,
                    series.answered_by,
                    series.times_s.as_slice(),
                    series.values.as_slice(),
                )
            })
            .collect();
        assert_eq!(
            series,
            [
                ("intake manifold absolute pressure", 0x7E8, &[0.3][..], &[100.0][..]),
                ("engine speed", 0x7E8, &[0.1, 0.9], &[1726.0, 1.0]),
                ("engine speed", 0x7E9, &[0.2], &[1724.0]),
                ("absolute throttle position", 0x7E8, &[0.3], &[100.0]),
            ]
        );
        assert_eq!((answers.read, answers.other_frames, answers.in_parts, answers.refused), (4, 1, 1, 1));
        assert_eq!(answers.other_answers, 2);
        assert_eq!(answers.unknown, BTreeMap::from([(0x00, 1), (0x55, 1)]));
    }

    /// What `tests/reference/make_mdf.py` put into the file.
    #[test]
    fn a_bus_log_becomes_series_with_their_times() {
        let file = mdf::open(include_bytes!("../../tests/fixtures/mdf/can_frames.mf4")).unwrap();
        assert!(file.logs_can_frames());
        let frames = file.can_frames().unwrap();
        assert_eq!((frames.frames.len(), frames.unreadable), (540, 0));
        let answers = read(&frames.frames);
        assert_eq!((answers.read, answers.other_frames), (240, 300));
        type Value = fn(f64) -> f64;
        let made: [(&str, Value, f64); 5] = [
            ("short term fuel trim bank 1", |i| (118.0 + i % 20.0) * 100.0 / 128.0 - 100.0, 0.3),
            ("intake manifold absolute pressure", |i| 40.0 + i, 0.2),
            ("engine speed", |i| 1200.0 + 50.0 * i, 0.0),
            ("oxygen sensor 1 lambda with current", |i| 2.0 * (28000.0 + 90.0 * i) / 65536.0, 0.1),
            ("oxygen sensor 1 pump current", |_| 0.0, 0.1),
        ];
        assert_eq!(answers.series.len(), made.len());
        for (series, (name, value, delay_s)) in answers.series.iter().zip(made) {
            assert_eq!((series.parameter.name, series.answered_by), (name, 0x7E8));
            assert_eq!(series.values, (0..60).map(|i| value(f64::from(i))).collect::<Vec<_>>(), "{name}");
            let times_s = (0..60).map(|i| f64::from(i) * 0.4 + delay_s + 0.01);
            assert!(series.times_s.iter().zip(times_s).all(|(a, b)| (a - b).abs() < 1e-12), "{name}");
        }
    }

    /// The column of a decoded log → the parameter, by the formulas of the same standard.
    const SIGNALS: [(&str, &str); 25] = [
        ("absload", "absolute load"),
        ("amb", "ambient air temperature"),
        ("baro", "barometric pressure"),
        ("cat_t", "catalyst temperature bank 1 sensor 1"),
        ("ect", "engine coolant temperature"),
        ("evap_abs", "absolute evaporative system vapor pressure"),
        ("fuel_lph", "engine fuel rate"),
        ("fuel_lvl", "fuel level"),
        ("fuelsys", "fuel system 1 status"),
        ("iat", "intake air temperature"),
        ("lambda_cmd", "commanded lambda"),
        ("lambda_wb", "oxygen sensor 1 lambda with current"),
        ("load", "calculated engine load"),
        ("ltft1", "long term fuel trim bank 1"),
        ("map", "intake manifold absolute pressure"),
        ("o2b1s2_v", "oxygen sensor 2 output voltage"),
        ("pedal", "accelerator pedal position D"),
        ("purge", "commanded evaporative purge"),
        ("rpm", "engine speed"),
        ("spd", "vehicle speed"),
        ("stft1", "short term fuel trim bank 1"),
        ("tps", "absolute throttle position"),
        ("trq_pct", "actual engine torque"),
        ("trq_ref", "engine reference torque"),
        ("volt", "control module voltage"),
    ];
    /// What was decoded beside it and is no parameter with a plain value.
    const NOT_LISTED: [&str; 2] = ["gear_a4", "o2pres"];

    /// Bus logs of real cars against their decoding by another program, where they are: no part of
    /// the repository (see `tests/reference/real_logs.rs`).
    #[test]
    fn bus_logs_of_real_cars_agree_with_their_decoding_elsewhere() {
        let named = std::env::var_os("RIDELOOP_REAL_LOGS").map(PathBuf::from);
        let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data");
        let folder = named.clone().unwrap_or(beside).join("mf4");
        let logs = std::fs::read_dir(&folder).into_iter().flatten().flatten().map(|entry| entry.path());
        let logs: Vec<_> = logs.filter(|path| path.extension().is_some_and(|e| e == "MF4")).collect();
        if logs.is_empty() {
            assert!(named.is_none(), "no bus log in {}", folder.display());
            eprintln!("skipped: no bus log in {}", folder.display());
            return;
        }
        for log in logs {
            let bytes = std::fs::read(&log).unwrap();
            let file = mdf::open(&bytes).unwrap();
            let answers = read(&file.can_frames().unwrap().frames);
            assert!(!answers.series.is_empty(), "{}", log.display());
            if let Ok(decoded) = std::fs::read_to_string(log.with_extension("decoded_long.csv")) {
                compare(&answers, &decoded);
            } else {
                eprintln!("{} has no decoding beside it", log.display());
            }
        }
    }

    fn compare(answers: &Answers, decoded: &str) {
        /// The decoding is rounded to four decimals.
        const ROUNDED: f64 = 0.5e-4 + 1e-9;
        let mut theirs: BTreeMap<&str, Vec<(f64, f64)>> = BTreeMap::new();
        for row in decoded.lines().skip(1) {
            let fields: Vec<_> = row.split(',').collect();
            let pair = (fields[0].parse().unwrap(), fields[2].parse().unwrap());
            theirs.entry(fields[1]).or_default().push(pair);
        }
        for (signal, theirs) in theirs.iter().filter(|(signal, _)| !NOT_LISTED.contains(signal)) {
            let (_, name) = SIGNALS.iter().find(|(known, _)| known == signal).expect(signal);
            let ours = answers.series.iter().find(|series| series.parameter.name == *name).expect(name);
            assert_eq!(ours.values.len(), theirs.len(), "{name}");
            for ((time_s, value), (their_time_s, their_value)) in
                ours.times_s.iter().zip(&ours.values).zip(theirs)
            {
                assert!(
                    (time_s - their_time_s).abs() <= ROUNDED,
                    "{name} at {time_s} s, there {their_time_s} s"
                );
                assert!(
                    (value - their_value).abs() <= ROUNDED,
                    "{name} at {time_s} s: {value}, {their_value}"
                );
            }
        }
    }
}
