//! What a logger file says: its keys.
//!
//! The YAML text enters; a checked [`Mapping`] leaves, or every problem with its place.

mod check;

use super::units::{self, Unit};
use crate::physics::fuel;
use crate::problem::Problems;
use crate::ride::{Channel, obd};
use crate::yaml;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::path::Path;

/// How the columns of a foreign log become channels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Mapping {
    /// Which logger this is, for people.
    #[serde(default)]
    pub about: Option<String>,
    /// By what a log is recognised besides the mapped titles, where several loggers fit.
    #[serde(default)]
    pub recognise: Recognise,
    /// How the text of the log is written; what is left out is found out.
    #[serde(default)]
    pub text: TextForm,
    /// `wide`: one column a channel. `long`: one row a value.
    #[serde(default)]
    pub layout: Layout,
    /// The column of the time. Only a measurement file (MDF 4) needs none: its channels keep
    /// their times themselves.
    #[serde(default)]
    pub time: Option<TimeColumn>,
    /// Only where this channel has a value of its own there is a sample; the others are brought
    /// to it by their `sparse`. Left out, every time of the log is a sample.
    #[serde(default)]
    pub rows_of: Option<String>,
    /// How a channel that is logged less often than there are rows is filled up, where the
    /// channel does not say it itself. Left out, it is missing in between.
    #[serde(default)]
    pub sparse: Option<Sparse>,
    /// The pressure of the air around, kPa, for gauge pressures of a log without `baro_kpa`.
    #[serde(default)]
    #[schemars(range(min = 50.0, max = 110.0))]
    pub ambient_kpa: Option<f64>,
    /// The channels and where each comes from.
    pub channels: ChannelColumns,
}

/// By what a log is recognised.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Recognise {
    /// The file's name, with `*` for any text and `?` for one character, such as `*.log`. Files
    /// of such names are rides, whatever their ending.
    #[serde(default)]
    #[schemars(length(min = 1))]
    pub files: Option<String>,
    /// Titles that the log must have, mapped or not.
    #[serde(default)]
    pub titles: Vec<String>,
}

/// How the text of a log is written.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct TextForm {
    /// How characters are stored.
    pub encoding: Encoding,
    /// What stands between two fields.
    pub separator: Separator,
    /// What stands before the decimals.
    pub decimal: Decimal,
    /// So many lines stand above the titles. Left out, the first row with the mapped titles is
    /// looked for.
    #[schemars(range(min = 0, max = 1000))]
    pub preamble_lines: Option<u32>,
    /// Whether a row of units stands under the titles. Left out, the row is looked at.
    pub unit_row: Option<bool>,
    /// What a row with fewer fields than titles is: cut off, or without its last values.
    pub short_rows: ShortRows,
}

/// How characters are stored.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Encoding {
    /// By the mark at the file's start; UTF-8 where it fits, Latin-1 otherwise.
    #[default]
    Auto,
    /// UTF-8, with or without a mark.
    Utf8,
    /// UTF-16, low byte first.
    Utf16Le,
    /// UTF-16, high byte first.
    Utf16Be,
    /// ISO 8859-1.
    Latin1,
}

/// What stands between two fields.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Separator {
    /// The one that makes titles of the first row.
    #[default]
    Auto,
    /// `,`
    Comma,
    /// `;`
    Semicolon,
    /// A tab.
    Tab,
}

/// What stands before the decimals.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Decimal {
    /// A comma where more numbers of the first rows have one than a point.
    #[default]
    Auto,
    /// `.`
    Point,
    /// `,`
    Comma,
}

/// What a row with fewer fields than titles is.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ShortRows {
    /// Cut off somewhere: it is dropped and counted.
    #[default]
    Dropped,
    /// A row whose last fields are empty and left out: they are missing.
    LastMissing,
}

/// How values stand in the log.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Layout {
    /// One column a channel.
    #[default]
    Wide,
    /// One row a value, with the titles of the columns that hold what it is. The mapped titles
    /// are then the names of the values.
    Long(LongColumns),
}

/// The columns of a log with one row a value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LongColumns {
    /// Title of the column with the value's name.
    #[schemars(length(min = 1))]
    pub name: String,
    /// Title of the column with the value.
    #[schemars(length(min = 1))]
    pub value: String,
    /// Title of the column with the value's unit, if there is one.
    #[serde(default)]
    pub unit: Option<String>,
}

/// The column of the time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TimeColumn {
    /// Its title.
    #[schemars(length(min = 1))]
    pub title: String,
    /// What it holds.
    #[serde(rename = "as")]
    pub form: TimeForm,
    /// Several rows bear the same second of a clock that shows no fractions: they are spread
    /// evenly inside it.
    #[serde(default)]
    pub spread: bool,
    /// A counter that begins anew at this value, in its own unit.
    #[serde(default)]
    #[schemars(range(min = 1.0, max = 1e19))]
    pub wraps_at: Option<f64>,
}

/// What a time column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum TimeForm {
    /// Seconds from whatever moment.
    Seconds,
    /// Milliseconds from whatever moment.
    Milliseconds,
    /// Microseconds from whatever moment.
    Microseconds,
    /// Minutes from whatever moment.
    Minutes,
    /// A time of day or an elapsed time: 23:59:59.9, 11:59:59 PM, 59:59.9; it may roll over at midnight.
    Clock,
    /// Date and time: 2026-05-01T18:00:00.5, also with Z or +02:00, or 1.5.2026 18:00:00, or 1/5/2026 with the day first.
    DateTime,
    /// Date and time with the month first: 5/1/2026 6:00:00 PM.
    DateTimeMonthFirst,
}

/// How a channel is filled up between its values; one of the two.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Sparse {
    /// A value holds for so long, s, or until the next.
    #[schemars(range(min = 0.001, max = 600.0))]
    pub hold_s: Option<f64>,
    /// Between two values that lie at most so far apart, s, the line between them holds.
    #[schemars(range(min = 0.001, max = 600.0))]
    pub interpolate_s: Option<f64>,
}

/// Where a channel comes from.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct ChannelColumn {
    /// The title of its column.
    #[schemars(length(min = 1))]
    pub title: Option<String>,
    /// Titles of several trims that act one after the other, such as short and long term; only
    /// for `trim_pct`.
    #[schemars(length(min = 2, max = 8))]
    pub sum_of: Option<Vec<String>>,
    /// The unit of the column; left out, the channel's own.
    pub unit: Option<Unit>,
    /// The fuel that an air-fuel ratio is meant for, as the logger shows it: petrol, E5, E10,
    /// E85, ethanol or methanol. A gauge that shows 14.7 at lambda 1 may stand on another
    /// figure: then `stoich_afr`.
    pub fuel: Option<String>,
    /// The air-fuel ratio that the logger shows at lambda 1.
    #[schemars(range(min = 1.0, max = 40.0))]
    pub stoich_afr: Option<f64>,
    /// Two readings; they become the two values of `to`, and the line through them holds. A
    /// channel that runs the wrong way round has them the wrong way round.
    pub from: Option<[f64; 2]>,
    /// The values of `from`, in `unit`.
    pub to: Option<[f64; 2]>,
    /// Volts, or any other reading, with the value of each in `unit`; in between the line holds,
    /// beyond the ends there is no value.
    pub volts: Option<BTreeMap<String, f64>>,
    /// A parameter of SAE J1979, service 01, by its name: readings are its raw bytes. Without
    /// a `title`, the column bears the name.
    pub obd: Option<String>,
    /// How the raw bytes of `obd` are written.
    pub bytes: RawBytes,
    /// Readings that mean that there is no value, such as 255 or -999.
    pub missing: Vec<f64>,
    /// Words in place of numbers, such as ON: 1.
    pub words: BTreeMap<String, f64>,
    /// What stands in the column for each slot, such as 1: power; only for `slot`.
    pub slots: BTreeMap<String, String>,
    /// How it is filled up where it is logged less often than there are rows.
    pub sparse: Option<Sparse>,
}

/// How raw bytes are written.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum RawBytes {
    /// As one whole number.
    #[default]
    Number,
    /// In hex, with or without blanks: `1A F8`.
    Hex,
}

/// The channels of a mapping by their names.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct ChannelColumns(BTreeMap<String, ChannelColumn>);

impl JsonSchema for ChannelColumns {
    fn schema_name() -> Cow<'static, str> {
        "ChannelColumns".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let channels = Channel::ALL.iter().filter(|(channel, _)| *channel != Channel::TimeS);
        let properties: serde_json::Map<String, serde_json::Value> = channels
            .map(|(_, name)| ((*name).to_owned(), generator.subschema_for::<ChannelColumn>().to_value()))
            .collect();
        json_schema!({ "type": "object", "properties": properties, "additionalProperties": false })
    }
}

impl ChannelColumn {
    /// The titles it is made of.
    pub fn titles(&self) -> Vec<&str> {
        match (&self.title, &self.sum_of, &self.obd) {
            (Some(title), _, _) => vec![title],
            (None, Some(titles), _) => titles.iter().map(String::as_str).collect(),
            (None, None, Some(name)) => vec![name],
            (None, None, None) => Vec::new(),
        }
    }

    /// The unit of what `from`, `volts` or the column give.
    pub fn unit_of(&self, channel: Channel) -> Unit {
        let of_parameter = || units::from_text(obd::by_name(self.obd.as_deref()?)?.unit);
        self.unit.or_else(of_parameter).unwrap_or_else(|| Unit::native(channel))
    }

    /// Whether the readings themselves are in `unit`, and no raw ones.
    pub fn is_direct(&self) -> bool {
        self.from.is_none() && self.volts.is_none() && self.obd.is_none()
    }

    /// The air-fuel ratio at lambda 1; 1 for what is no air-fuel ratio.
    pub fn stoich_afr(&self) -> f64 {
        let of_fuel = || fuel::known(self.fuel.as_deref()?).map(|fuel| fuel.stoich_afr());
        self.stoich_afr.or_else(of_fuel).unwrap_or(1.0)
    }

    /// The calibration line, ascending in the reading: of `volts`, or of `from` and `to`.
    pub fn calibration(&self) -> Vec<(f64, f64)> {
        if let (Some(from), Some(to)) = (self.from, self.to) {
            return vec![(from[0], to[0]), (from[1], to[1])];
        }
        let parsed =
            self.volts.iter().flatten().filter_map(|(at, value)| Some((at.trim().parse().ok()?, *value)));
        let mut points: Vec<(f64, f64)> = parsed.collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        points
    }
}

impl Mapping {
    /// Reads a logger file.
    ///
    /// # Errors
    /// Everything wrong with it, with line and column.
    pub fn parse(path: &Path, text: &str) -> Result<Self, Problems> {
        let node = yaml::parse(path, text)?;
        let mapping: Self = yaml::read_node(path, &node)?;
        Problems(check::all(path, &node, &mapping)).into_result().map(|()| mapping)
    }

    /// The channels with where each comes from, in the channels' order.
    pub fn channels(&self) -> impl Iterator<Item = (Channel, &ChannelColumn)> {
        let known = Channel::ALL.iter();
        known.filter_map(|(channel, name)| Some((*channel, self.channels.0.get(*name)?)))
    }

    /// How a channel is filled up.
    pub fn sparse_of(&self, channel: Channel, column: &ChannelColumn) -> Option<Sparse> {
        // What changes by steps is not on a line between two values.
        let by_default = self.sparse.map(|sparse| match is_stepped(channel) {
            true => Sparse { hold_s: sparse.hold_s.or(sparse.interpolate_s), interpolate_s: None },
            false => sparse,
        });
        column.sparse.or(by_default.filter(|_| channel != Channel::KnockCount))
    }

    /// The channel whose own values are the samples.
    pub fn rows_of(&self) -> Option<Channel> {
        self.rows_of.as_deref().and_then(Channel::from_title)
    }
}

fn is_stepped(channel: Channel) -> bool {
    matches!(channel, Channel::Gear | Channel::FuelCut | Channel::Slot | Channel::KnockCount)
}

/// The JSON Schema of a logger file, for editors.
pub fn schema() -> serde_json::Value {
    let mut schema = yaml::schema_of::<Mapping>();
    schema["title"] = "rideloop logger".into();
    schema
}

/// Whether times are written with colons, and are no counter.
pub fn is_written_clock(form: TimeForm) -> bool {
    matches!(form, TimeForm::Clock | TimeForm::DateTime | TimeForm::DateTimeMonthFirst)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_key_is_documented() {
        fn walk(at: &str, schema: &serde_json::Value) {
            for (key, child) in schema["properties"].as_object().into_iter().flatten() {
                let at = format!("{at}.{key}");
                let is_channel = Channel::from_title(key).is_some();
                assert!(is_channel || child["description"].is_string(), "{at} says nothing of itself");
                walk(&at, child);
            }
            for key in ["anyOf", "oneOf"] {
                schema[key].as_array().into_iter().flatten().for_each(|child| walk(at, child));
            }
        }
        walk("logger", &schema());
    }

    #[test]
    fn a_whole_mapping_is_taken() {
        let text = "\
about: the box under the seat of the Fernhill
recognise: { files: '*.log', titles: [Engine speed] }
text: { encoding: auto, separator: semicolon, decimal: comma, preamble_lines: 3, unit_row: true }
layout: { long: { name: PID, value: VALUE, unit: UNITS } }
time: { title: Time, as: clock, spread: true }
rows_of: lambda
sparse: { interpolate_s: 0.5 }
ambient_kpa: 99
channels:
  rpm: { title: Engine speed }
  lambda: { title: AFR, unit: afr, fuel: E10, volts: { 0: 10, 5.0: 20 } }
  map_kpa: { title: Boost, unit: psi_gauge }
  throttle_pct: { title: TPS raw, from: [229, 28], to: [0, 100], missing: [255] }
  trim_pct: { sum_of: [STFT, LTFT], sparse: { hold_s: 2 } }
  fuel_cut: { title: Cut, words: { 'ON': 1, 'OFF': 0 } }
";
        let mapping = Mapping::parse(Path::new("l.yaml"), text).expect("a mapping");
        assert_eq!(mapping.channels().count(), 6);
        let cut = mapping.channels().find(|(c, _)| *c == Channel::FuelCut).expect("mapped").1;
        assert_eq!(mapping.sparse_of(Channel::FuelCut, cut).expect("held").hold_s, Some(0.5));
    }
}
