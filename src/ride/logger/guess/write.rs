//! The proposal as the text of a logger file, each line with its reasons above it.

use super::super::mapping::{
    ChannelColumn, Decimal, Encoding, Layout, Separator, ShortRows, Sparse, TextForm, TimeForm,
};
use super::rhythm::Rhythm;
use super::time::Times;
use super::{Proposal, Question};
use crate::ride::Channel;
use crate::units::{one_line, plain};
use serde::Serialize;
use std::fmt::Write as _;
use std::path::Path;

/// What the text is made of.
pub(super) struct Parts<'a> {
    pub path: &'a Path,
    pub form: &'a TextForm,
    pub layout: &'a Layout,
    pub time: &'a Times,
    pub rhythm: &'a Rhythm,
    pub ambient_kpa: Option<f64>,
    pub proposals: &'a [Proposal<'a>],
    pub questions: &'a [Question],
}

/// Characters of a line of comment.
const WIDTH: usize = 100;

/// The text of the logger file.
pub(super) fn text(parts: &Parts<'_>) -> String {
    let file = parts.path.file_name().map(|name| one_line(&name.to_string_lossy())).unwrap_or_default();
    let mut text = String::new();
    comment(
        &mut text,
        0,
        &format!(
            "How logs such as {file} become channels: a proposal, made from its titles and readings. Look at every line before it is used."
        ),
    );
    let _ = writeln!(text, "about: {}", string(&format!("logs such as {file}")));
    let form = form_text(parts.form);
    if !form.is_empty() {
        let _ = writeln!(text, "text: {{ {form} }}");
    }
    if let Layout::Long(long) = parts.layout {
        let unit = long.unit.as_ref().map(|unit| format!(", unit: {}", string(unit))).unwrap_or_default();
        let _ = writeln!(
            text,
            "layout: {{ long: {{ name: {}, value: {}{unit} }} }}",
            string(&long.name),
            string(&long.value)
        );
    }
    time_text(&mut text, parts);
    for reason in &parts.rhythm.reasons {
        comment(&mut text, 0, reason);
    }
    // Samples of a channel that is still asked for are none.
    let is_mapped = |channel: Channel| {
        parts.proposals.iter().any(|p| p.chosen.channel == channel && p.settled.question.is_none())
    };
    if let Some(channel) = parts.rhythm.rows_of.filter(|channel| is_mapped(*channel)) {
        let _ = writeln!(text, "rows_of: {}", channel.name());
    }
    if let Some(sparse) = parts.rhythm.sparse {
        let _ = writeln!(text, "sparse: {}", sparse_text(sparse));
    }
    if let Some(ambient) = parts.ambient_kpa {
        let _ = writeln!(text, "ambient_kpa: {}", plain(ambient));
    }
    let any = parts.proposals.iter().any(|p| p.settled.question.is_none());
    text.push_str(if any { "channels:\n" } else { "channels: {}\n" });
    for proposal in parts.proposals {
        let settled = &proposal.settled;
        let name = proposal.chosen.channel.name();
        match &settled.question {
            None => {
                comment(
                    &mut text,
                    2,
                    &format!("{}: {}", settled.confidence.word(), settled.reasons.join("; ")),
                );
                let _ = writeln!(text, "  {name}: {}", column_text(&settled.mapped));
            }
            Some(question) => {
                ask(&mut text, 2, question);
                let column = column_text(&settled.mapped);
                let open = column.trim_end_matches('}').trim_end().trim_end_matches(',');
                let _ = writeln!(text, "  # {name}: {open}, ? }}");
            }
        }
    }
    let without_column = |question: &&Question| {
        question.channel != Channel::TimeS.name()
            && !parts.proposals.iter().any(|p| p.chosen.channel.name() == question.channel)
    };
    for question in parts.questions.iter().filter(without_column) {
        ask(&mut text, 2, question);
        let _ = writeln!(text, "  # {}: {{ title: ? }}", question.channel);
    }
    text
}

fn time_text(text: &mut String, parts: &Parts<'_>) {
    let time = match parts.time {
        Times::Column(found) => found,
        // A measurement file needs no column of it.
        Times::Own(_) => return,
        Times::Asked(question) => {
            ask(text, 0, question);
            text.push_str("# time: { title: ?, as: ? }\n");
            return;
        }
    };
    comment(text, 0, &format!("{}: {}", time.confidence.word(), time.reasons.join("; ")));
    let column = &time.column;
    let mut keys =
        vec![format!("title: {}", string(&column.title)), format!("as: {}", form_word(column.form))];
    keys.extend(column.spread.then(|| "spread: true".to_owned()));
    keys.extend(column.wraps_at.map(|end| format!("wraps_at: {}", plain(end))));
    let _ = writeln!(text, "time: {{ {} }}", keys.join(", "));
}

fn ask(text: &mut String, indent: usize, question: &Question) {
    comment(text, indent, &format!("QUESTION: {}", question.text));
    for answer in &question.answers {
        comment(text, indent, &format!("  {} ({})", answer.flag, answer.meaning));
    }
}

/// Lines of comment no longer than [`WIDTH`], unless a word is.
fn comment(text: &mut String, indent: usize, words: &str) {
    let pad = " ".repeat(indent);
    let mut line = String::new();
    for word in one_line(words).split(' ') {
        if !line.is_empty() && indent + line.chars().count() + word.chars().count() + 3 > WIDTH {
            let _ = writeln!(text, "{pad}# {line}");
            line.clear();
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    let _ = writeln!(text, "{pad}# {line}");
}

/// A text in quotes; what JSON escapes YAML reads.
fn string(text: &str) -> String {
    serde_json::to_string(text).unwrap_or_default()
}

/// A key's word as serde writes it.
fn word(value: impl Serialize) -> String {
    serde_json::to_value(value).ok().and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
}

/// The word of a time's form.
pub(super) fn form_word(form: TimeForm) -> &'static str {
    match form {
        TimeForm::Seconds => "seconds",
        TimeForm::Milliseconds => "milliseconds",
        TimeForm::Microseconds => "microseconds",
        TimeForm::Minutes => "minutes",
        TimeForm::Clock => "clock",
        TimeForm::DateTime => "date_time",
        TimeForm::DateTimeMonthFirst => "date_time_month_first",
    }
}

/// What the next log of this logger might not show by itself: where its titles stand, it does.
fn form_text(form: &TextForm) -> String {
    let mut keys = Vec::new();
    // The other encodings show themselves.
    if matches!(form.encoding, Encoding::Utf16Le | Encoding::Utf16Be) {
        keys.push(format!("encoding: {}", word(form.encoding)));
    }
    if form.separator != Separator::Auto {
        keys.push(format!("separator: {}", word(form.separator)));
    }
    if form.decimal != Decimal::Auto {
        keys.push(format!("decimal: {}", word(form.decimal)));
    }
    if form.unit_row == Some(true) {
        keys.push("unit_row: true".to_owned());
    }
    if form.short_rows == ShortRows::LastMissing {
        keys.push(format!("short_rows: {}", word(form.short_rows)));
    }
    keys.join(", ")
}

fn sparse_text(sparse: Sparse) -> String {
    match (sparse.hold_s, sparse.interpolate_s) {
        (Some(hold), _) => format!("{{ hold_s: {} }}", plain(hold)),
        (_, Some(line)) => format!("{{ interpolate_s: {} }}", plain(line)),
        _ => "{}".to_owned(),
    }
}

/// A channel's keys on one line.
fn column_text(column: &ChannelColumn) -> String {
    let mut keys = Vec::new();
    keys.extend(column.title.as_ref().map(|title| format!("title: {}", string(title))));
    keys.extend(column.sum_of.as_ref().map(|titles| {
        let titles: Vec<String> = titles.iter().map(|title| string(title)).collect();
        format!("sum_of: [{}]", titles.join(", "))
    }));
    keys.extend(column.unit.map(|unit| format!("unit: {}", unit.word())));
    keys.extend(column.fuel.as_ref().map(|fuel| format!("fuel: {fuel}")));
    keys.extend(column.stoich_afr.map(|ratio| format!("stoich_afr: {}", plain(ratio))));
    let pair = |pair: [f64; 2]| format!("[{}, {}]", plain(pair[0]), plain(pair[1]));
    keys.extend(column.from.map(|from| format!("from: {}", pair(from))));
    keys.extend(column.to.map(|to| format!("to: {}", pair(to))));
    keys.extend(column.volts.as_ref().map(|volts| {
        let mut points: Vec<(f64, String)> = volts
            .iter()
            .map(|(at, value)| (at.parse().unwrap_or(f64::NAN), format!("{}: {}", string(at), plain(*value))))
            .collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        let points: Vec<String> = points.into_iter().map(|(_, text)| text).collect();
        format!("volts: {{ {} }}", points.join(", "))
    }));
    let mapped = |key: &str, pairs: Vec<String>| {
        (!pairs.is_empty()).then(|| format!("{key}: {{ {} }}", pairs.join(", ")))
    };
    keys.extend(mapped(
        "words",
        column.words.iter().map(|(w, v)| format!("{}: {}", string(w), plain(*v))).collect(),
    ));
    keys.extend(mapped(
        "slots",
        column.slots.iter().map(|(r, s)| format!("{}: {}", string(r), string(s))).collect(),
    ));
    keys.extend(column.sparse.map(|sparse| format!("sparse: {}", sparse_text(sparse))));
    format!("{{ {} }}", keys.join(", "))
}
