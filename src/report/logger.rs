//! The proposal for a log of another make, as text: findings, channels with a sketch of each,
//! questions, and the mapping itself.

use super::style::{Align, columns, faint, strong, warning};
use crate::operations::GuessReport;
use crate::ride::logger::guess::{GuessedChannel, Question};
use crate::units::{counted, fixed, one_line};
use std::fmt::Write as _;

/// Columns of the channels' lines, characters.
const NAME: usize = 14;
const END: usize = 8;
/// With less room what a sketch does not show stands in a line below.
const ROOMY: usize = 84;
const WIDEST_SKETCH: usize = 40;

/// The proposal with its reasons; the YAML stands at the end.
pub fn logger_guess(report: &GuessReport, width: usize) -> String {
    let mut text = format!("{}\n", strong(&one_line(&report.file.display().to_string())));
    let rows = report.guess.written_as.iter().map(|found| vec![one_line(&found.what), one_line(&found.why)]);
    text.push_str(&columns(rows.collect(), &[Align::Left, Align::Left], width));
    if !report.guess.channels.is_empty() {
        let _ = write!(text, "\n{}\n", strong("channels, as they run in the log's units"));
    }
    for channel in &report.guess.channels {
        text.push_str(&channel_lines(channel, width));
    }
    if !report.guess.unused.is_empty() {
        const SHOWN: usize = 24;
        let shown: Vec<String> = report
            .guess
            .unused
            .iter()
            .take(SHOWN)
            .map(|column| format!("{} ({})", column.title, column.holds))
            .collect();
        let more = report.guess.unused.len().saturating_sub(SHOWN);
        let more = if more > 0 { format!(", and {more} more") } else { String::new() };
        let _ = write!(text, "\n{}\n", strong("columns without a channel"));
        text.push_str(&indented(&format!("{}{more}", shown.join(", ")), width, &faint));
    }
    for remark in report.guess.remarks.iter().chain(&report.guess.trial.remarks) {
        let _ = write!(text, "\n{}", hanging("remark: ", remark, width));
    }
    if !report.guess.remarks.is_empty() || !report.guess.trial.remarks.is_empty() {
        text.push('\n');
    }
    for question in &report.guess.questions {
        text.push_str(&question_lines(question, width));
    }
    let _ = write!(text, "\n{}", trial(report));
    text.push_str(&what_next(report));
    if report.written.is_none() {
        let _ =
            write!(text, "\n{}\n{}", strong(&format!("loggers/{}.yaml", report.name)), report.guess.mapping);
    }
    text
}

/// A channel's range and how its readings lie in it, with what speaks for it below.
fn channel_lines(channel: &GuessedChannel, width: usize) -> String {
    let mut text = format!("  {:<NAME$} ", channel.channel);
    let word = match channel.is_mapped {
        true => channel.confidence.word().to_owned(),
        false => warning("asked for"),
    };
    match (channel.low, channel.median, channel.high) {
        (Some(low), Some(median), Some(high)) => {
            let missing = channel.missing_share.unwrap_or_default() * 100.0;
            let missing = if missing > 0.0 && missing < 1.0 { "<1".to_owned() } else { fixed(missing, 0) };
            let tail = format!("median {}, {missing} % missing, {word}", channel.shown(median));
            // Blanks, the name, both ends.
            let fixed_part = 2 + NAME + 1 + END + 1 + 1 + END + 1;
            let (room, is_roomy) = match width >= ROOMY {
                true => (width - fixed_part - 40, true),
                false => (width.saturating_sub(fixed_part), false),
            };
            let drawn = sketch(&channel.bins, room.clamp(4, WIDEST_SKETCH));
            let _ = write!(text, "{:>END$} {drawn} {:<END$}", channel.shown(low), channel.shown(high));
            match is_roomy {
                true => {
                    let _ = writeln!(text, " {tail}");
                }
                false => {
                    let _ = write!(text, "\n    {tail}\n");
                }
            }
        }
        _ => {
            let _ = writeln!(text, "{word}");
        }
    }
    let unit = channel.unit.map(|unit| format!(", {unit}")).unwrap_or_default();
    let about = format!("`{}`{unit}: {}", channel.title, channel.reasons.join("; "));
    text.push_str(&indented(&about, width, &faint));
    text
}

/// One line of bars, as high as readings are many in each part of the range; by the square root,
/// so that what is rare is seen beside what is usual.
fn sketch(bins: &[u64], width: usize) -> String {
    const BARS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let mut merged = vec![0_u64; width.min(bins.len())];
    let parts = merged.len();
    if parts == 0 {
        return String::new();
    }
    for (i, count) in bins.iter().enumerate() {
        merged[i * parts / bins.len()] += count;
    }
    let most = merged.iter().copied().max().unwrap_or_default() as f64;
    let bar = |count: &u64| match *count {
        0 => '·',
        count => BARS[(((count as f64 / most).sqrt() * 8.0).ceil() as usize).clamp(1, 8) - 1],
    };
    merged.iter().map(bar).collect()
}

fn question_lines(question: &Question, width: usize) -> String {
    let head = if question.is_needed { warning("question") } else { strong("question") };
    let mut text = format!("\n{head} {}\n", strong(question.channel));
    text.push_str(&indented(&question.text, width, &str::to_owned));
    let rows = question.answers.iter().map(|answer| vec![one_line(&answer.flag), one_line(&answer.meaning)]);
    text.push_str(&columns(rows.collect(), &[Align::Left, Align::Left], width));
    text
}

fn trial(report: &GuessReport) -> String {
    let trial = &report.guess.trial;
    if let Some(error) = &trial.error {
        let open = report.guess.questions.iter().any(|question| question.is_needed);
        let so_far = if open { "as far as it is settled, the mapping" } else { "the mapping" };
        return format!("{} {so_far} does not read the log: {}\n", warning("tried:"), one_line(error));
    }
    let mut text = format!("tried: {} of {} give samples", trial.samples, counted(trial.rows, "row"));
    for (reason, rows) in &trial.dropped {
        let _ = write!(text, "; {rows} dropped as {reason}");
    }
    for (channel, values) in &trial.unreadable {
        let _ = write!(text, "; {} of {channel} cannot be read", counted(*values, "value"));
    }
    text + "\n"
}

fn what_next(report: &GuessReport) -> String {
    if let Some(file) = &report.written {
        return format!("written: {}; look at every line, then `rideloop check`\n", file.display());
    }
    let has_flags = report.guess.questions.iter().any(|question| question.is_needed);
    match report.is_settled() {
        false if !has_flags => {
            format!("{}: nothing is written; `--say CHANNEL='TITLE'` names its columns\n", warning("open"))
        }
        true => "settled: `--write` puts it into the bike folder, `--out FILE` elsewhere\n".to_owned(),
        false => format!("{}: nothing is written; answer with the flags above\n", warning("open")),
    }
}

/// Words wrapped under the name of their channel.
fn indented(words: &str, width: usize, paint: &dyn Fn(&str) -> String) -> String {
    let lines = wrapped(words, width.saturating_sub(5));
    lines.iter().map(|line| format!("    {}\n", paint(line))).collect()
}

fn hanging(head: &str, words: &str, width: usize) -> String {
    let lines = wrapped(words, width.saturating_sub(head.len() + 1));
    format!("{head}{}", lines.join(&format!("\n{}", " ".repeat(head.len()))))
}

fn wrapped(words: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in one_line(words).split(' ') {
        let last = lines.last().map_or(0, |line| line.chars().count());
        if last > 0 && last + 1 + word.chars().count() > width {
            lines.push(String::new());
        }
        if let Some(line) = lines.last_mut() {
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sketch_keeps_to_its_width_and_shows_what_is_rare() {
        let mut bins = vec![0; 64];
        bins[0] = 10_000;
        bins[63] = 1;
        assert_eq!(sketch(&bins, 8), "█······▁");
        assert_eq!(sketch(&bins, 100).chars().count(), 64);
        assert_eq!(sketch(&[], 8), "");
    }

    #[test]
    fn lines_keep_to_the_width() {
        let channel = GuessedChannel {
            channel: "engine_temp_c",
            title: "Engine Coolant Temperature [°C]".to_owned(),
            unit: Some("celsius"),
            is_mapped: true,
            confidence: crate::ride::logger::guess::Confidence::Sure,
            reasons: vec!["the log says °C, and its readings are such".to_owned()],
            low: Some(21.0),
            q05: Some(30.0),
            median: Some(88.0),
            q95: Some(93.0),
            high: Some(94.5),
            missing_share: Some(0.034),
            bins: vec![3; 64],
        };
        for width in [40, 60, 84, 100, 200] {
            for line in anstream::adapter::strip_str(&channel_lines(&channel, width)).to_string().lines() {
                assert!(line.chars().count() <= width, "{width}: {line}");
            }
        }
    }
}
