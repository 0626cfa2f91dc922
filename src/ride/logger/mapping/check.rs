//! What the keys of a logger file must fulfil together.
//!
//! The keys of a [`Mapping`] enter, each by itself as the schema wants it; problems leave, with their
//! places in the file.

use super::{ChannelColumn, Layout, Mapping, Sparse, TextForm, is_stepped, is_written_clock};
use crate::physics::fuel;
use crate::problem::Problem;
use crate::ride::logger::units::Unit;
use crate::ride::{Channel, obd};
use crate::yaml::Node;
use std::path::Path;

/// Everything in which a mapping contradicts itself.
pub(super) fn all(path: &Path, node: &Node, mapping: &Mapping) -> Vec<Problem> {
    let mut check = Check { path, node, found: Vec::new() };
    check.mapping(mapping);
    check.found
}

struct Check<'a> {
    path: &'a Path,
    node: &'a Node,
    found: Vec<Problem>,
}

impl Check<'_> {
    fn say(&mut self, at: &[&str], what: impl Into<String>, hint: Option<String>) {
        let (line, column) = self.node.place(at);
        let mut problem = Problem::at(self.path, line, column, what);
        problem.hint = hint;
        self.found.push(problem);
    }

    fn mapping(&mut self, mapping: &Mapping) {
        if mapping.channels.0.is_empty() {
            self.say(&["channels"], "`channels` needs at least one channel", None);
        }
        // What only text logs have tells that it is no logger of measurement files.
        let is_of_text = mapping.text != TextForm::default() || mapping.layout != Layout::Wide;
        if mapping.time.is_none() && is_of_text {
            self.say(&[], "`time` is missing: only measurement files (MDF 4) need none", None);
        }
        if mapping.time.as_ref().is_some_and(|time| time.wraps_at.is_some() && is_written_clock(time.form)) {
            self.say(
                &["time", "wraps_at"],
                "`wraps_at` is for counters; clocks roll over by themselves",
                None,
            );
        }
        if let Some(sparse) = &mapping.sparse {
            self.sparse(&["sparse"], sparse);
        }
        if let Some(name) = &mapping.rows_of
            && !mapping.channels.0.contains_key(name)
        {
            let known: Vec<&str> = mapping.channels.0.keys().map(String::as_str).collect();
            let what = format!("`rows_of` must be one of the mapped channels, got `{name}`");
            self.say(&["rows_of"], what, Some(format!("mapped here: {}", known.join(", "))));
        }
        for (channel, column) in mapping.channels() {
            self.channel(channel, column, mapping);
        }
    }

    fn sparse(&mut self, at: &[&str], sparse: &Sparse) {
        if sparse.hold_s.is_some() == sparse.interpolate_s.is_some() {
            self.say(at, "`sparse` holds one of `hold_s` and `interpolate_s`", None);
        }
    }

    fn channel(&mut self, channel: Channel, column: &ChannelColumn, mapping: &Mapping) {
        let at = ["channels", channel.name()];
        let below = |key: &'static str| ["channels", channel.name(), key];
        let name = channel.name();
        if column.title.is_some() && column.sum_of.is_some() || column.titles().is_empty() {
            let what = format!("`{name}` needs the title of its column, or for trims several in `sum_of`");
            self.say(&at, what, None);
        }
        if column.sum_of.is_some() && channel != Channel::TrimPct {
            self.say(&below("sum_of"), "only trims add up: `sum_of` is for `trim_pct`", None);
        }
        self.unit(channel, column, mapping);
        self.calibration(channel, column);
        self.slot(channel, column, mapping);
        if let Some(parameter) = &column.obd
            && obd::by_name(parameter).is_none()
        {
            let known = obd::PARAMETERS.iter().map(|parameter| parameter.name);
            let near = crate::problem::nearest(parameter, known);
            let hint = near.map(|near| format!("did you mean `{near}`?"));
            self.say(
                &below("obd"),
                format!("SAE J1979 has no parameter `{parameter}` that is known here"),
                hint,
            );
        }
        if let Some(sparse) = &column.sparse {
            self.sparse(&below("sparse"), sparse);
            if sparse.interpolate_s.is_some() && is_stepped(channel) {
                let what = format!("`{name}` moves in steps: nothing lies between two values");
                self.say(&below("sparse"), what, Some("use `hold_s`".to_owned()));
            }
        }
        if channel == Channel::KnockCount && column.sparse.is_some() {
            self.say(&below("sparse"), "a count of events is not held: it would be counted again", None);
        }
    }

    fn unit(&mut self, channel: Channel, column: &ChannelColumn, mapping: &Mapping) {
        let at = ["channels", channel.name(), "unit"];
        let unit = column.unit_of(channel);
        if unit.quantity() != Unit::native(channel).quantity() {
            let what = format!("`{}` cannot be in `{}`", channel.name(), unit.word());
            let hint = format!("it may be in {}", Unit::words_for(channel).join(", "));
            self.say(&at, what, Some(hint));
        }
        let names_fuel = column.fuel.is_some() || column.stoich_afr.is_some();
        if (unit == Unit::Afr) != names_fuel {
            let what = match unit {
                Unit::Afr => "an air-fuel ratio needs the `fuel` that the logger shows it for",
                _ => "`fuel` and `stoich_afr` belong to `unit: afr`",
            };
            let known = fuel::KNOWN_FUELS.join(", ");
            let hint =
                format!("`fuel` is one of {known}; or `stoich_afr`, what the logger shows at lambda 1");
            self.say(&at, what, Some(hint));
        }
        if let Some(name) = column.fuel.as_deref().filter(|name| fuel::known(name).is_none()) {
            let what = format!("`fuel` must be one of {}, got `{name}`", fuel::KNOWN_FUELS.join(", "));
            self.say(&["channels", channel.name(), "fuel"], what, None);
        }
        if column.fuel.is_some() && column.stoich_afr.is_some() {
            self.say(&["channels", channel.name(), "fuel"], "one of `fuel` and `stoich_afr` is enough", None);
        }
        let has_baro = mapping.channels.0.contains_key(Channel::BaroKpa.name());
        if unit.is_gauge() && channel == Channel::BaroKpa {
            self.say(&at, "the pressure of the air around cannot be counted from itself", None);
        } else if unit.is_gauge() && !has_baro && mapping.ambient_kpa.is_none() {
            let what =
                format!("`{}` counts from the pressure of the air around, which nothing tells", unit.word());
            let hint = "map `baro_kpa` too, or write `ambient_kpa` at the top of the file".to_owned();
            self.say(&at, what, Some(hint));
        }
    }

    fn calibration(&mut self, channel: Channel, column: &ChannelColumn) {
        let below = |key: &'static str| ["channels", channel.name(), key];
        match (column.from, column.to) {
            (Some(from), Some(_)) if from[0] == from[1] => {
                self.say(&below("from"), "`from` needs two different readings", None);
            }
            (Some(_), None) => {
                self.say(&below("from"), "`from` needs `to`, the values of its readings", None)
            }
            (None, Some(_)) => self.say(&below("to"), "`to` needs `from`, the readings of its values", None),
            _ => {}
        }
        let raw = [column.from.is_some(), column.volts.is_some(), column.obd.is_some()];
        if raw.iter().filter(|is| **is).count() > 1 {
            let what = "readings become values by one of `from` with `to`, `volts` and `obd`";
            self.say(&["channels", channel.name()], what, None);
        }
        let Some(volts) = &column.volts else { return };
        let points = column.calibration();
        if points.len() != volts.len() || points.iter().any(|(at, _)| !at.is_finite()) {
            self.say(
                &below("volts"),
                "`volts` maps numbers to numbers, such as { 0.0: 0.68, 5.0: 1.36 }",
                None,
            );
        } else if points.len() < 2 {
            self.say(&below("volts"), "`volts` needs at least two points", None);
        } else if points.windows(2).any(|pair| pair[0].0 == pair[1].0) {
            self.say(&below("volts"), "`volts` has two values for the same reading", None);
        } else if let Some(at) = turn(&points) {
            let what = format!("`volts` must rise or fall all the way; at {at} it turns back");
            self.say(&below("volts"), what, Some("two readings would mean the same value".to_owned()));
        }
    }

    fn slot(&mut self, channel: Channel, column: &ChannelColumn, mapping: &Mapping) {
        let below = |key: &'static str| ["channels", channel.name(), key];
        if channel != Channel::Slot {
            if !column.slots.is_empty() {
                self.say(&below("slots"), "`slots` is for the channel `slot`; `words` for others", None);
            }
            return;
        }
        if column.unit.is_some() || !column.is_direct() || !column.words.is_empty() {
            let what = "`slot` holds names: only `title`, `slots` and `sparse` belong to it";
            self.say(&["channels", channel.name()], what, None);
        }
        if mapping.layout != Layout::Wide {
            let what = "`slot` needs a column of its own, which a log with one row a value has not";
            self.say(&["channels", channel.name()], what, None);
        }
    }
}

/// The reading at which values that rose begin to fall, or the other way round; a flat stretch is no turn.
fn turn(points: &[(f64, f64)]) -> Option<f64> {
    let mut way = 0.0;
    for pair in points.windows(2) {
        let step = pair[1].1 - pair[0].1;
        if step * way < 0.0 {
            return Some(pair[0].0);
        }
        way = if step == 0.0 { way } else { step };
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn problems(text: &str) -> Vec<String> {
        match Mapping::parse(Path::new("loggers/box.yaml"), text) {
            Ok(_) => Vec::new(),
            Err(problems) => problems.0.iter().map(Problem::to_string).collect(),
        }
    }

    #[test]
    fn problems_have_their_places() {
        let head = "time: { title: T, as: seconds }\nchannels:\n";
        let found = problems(&format!("{head}  rmp: {{ title: Speed }}\n"));
        assert!(found[0].starts_with("loggers/box.yaml:3:3: unknown key `rmp`"), "{found:#?}");
        let found = problems(&format!("{head}  lambda: {{ title: AFR, unit: afr }}\n"));
        assert!(found[0].starts_with("loggers/box.yaml:3:31: an air-fuel ratio needs"), "{found:#?}");
        let found = problems(&format!("{head}  map_kpa: {{ title: Boost, unit: psi_gauge }}\n"));
        assert!(found[0].contains("which nothing tells"), "{found:#?}");
        let found = problems(&format!("{head}  rpm: {{ title: n, unit: celsius }}\n"));
        assert!(found[0].contains("`rpm` cannot be in `celsius`"), "{found:#?}");
        let found = problems(&format!("{head}  lambda: {{ title: WB, volts: {{ a: 1, 5: 2 }} }}\n"));
        assert!(found[0].contains("numbers to numbers"), "{found:#?}");
        let found = problems(&format!("{head}  gear: {{ title: G, sparse: {{ interpolate_s: 1 }} }}\n"));
        assert!(found[0].contains("moves in steps"), "{found:#?}");
        let found = problems(&format!("{head}  rpm: {{ sum_of: [a, b], sparse: {{}} }}\n"));
        assert_eq!(found.len(), 2, "{found:#?}");
        let found = problems("text: { separator: tab }\nchannels:\n  rpm: { title: n }\n");
        assert!(found[0].contains("`time` is missing"), "{found:#?}");
        assert_eq!(problems("channels:\n  rpm: { title: n }\n"), [""; 0]);
        assert!(
            problems(&format!("{head}  rpm: {{ title: n, from: [0, 255] }}\n"))[0].contains("needs `to`")
        );
    }
}
