//! Raw → physical values (##CC).

use super::block::{self, Block};
use super::error::MdfError;

/// Where a block's numbers start, behind its kind, flags, counts and range.
const VALUES_AT: usize = 24;
/// A table may pass on to another conversion; deeper than this is no calibration.
const DEEPEST: usize = 8;

/// How raw values become physical ones.
#[derive(Debug, Default, PartialEq)]
pub(super) enum Conversion {
    #[default]
    Identity,
    Linear {
        offset: f64,
        factor: f64,
    },
    /// `(p1 x² + p2 x + p3) / (p4 x² + p5 x + p6)`
    Rational([f64; 6]),
    /// Between the keys a straight line, outside them the first and last value.
    Interpolated(Vec<(f64, f64)>),
    /// The value of the nearest key, of the lower one in the middle.
    Nearest(Vec<(f64, f64)>),
    /// A value for each range of keys.
    Ranges(Ranges<f64>, f64),
    /// A text, or another conversion, for each key.
    Labels(Vec<(f64, Label)>, Label),
    /// The same for each range of keys.
    RangeLabels(Ranges<Label>, Label),
    /// A number for each text.
    FromText(Vec<(String, f64)>, f64),
    /// A text for each text.
    BetweenTexts(Vec<(String, Option<String>)>, Option<String>),
}

/// What a table has for a key.
#[derive(Debug, PartialEq)]
pub(super) enum Label {
    Nothing,
    Text(String),
    Through(Box<Conversion>),
}

/// Ranges that ascend and do not overlap: `(least, greatest, what it stands for)`.
#[derive(Debug, PartialEq)]
pub(super) struct Ranges<T>(Vec<(f64, f64, T)>);

/// A physical value.
#[derive(Debug, PartialEq)]
pub(super) enum Physical<'c> {
    Number(f64),
    Text(&'c str),
    Nothing,
}

/// The conversion at a link; `left` is how many bytes of description the file may still take.
pub(super) fn read(file: &[u8], at: u64, left: &mut usize) -> Result<Conversion, MdfError> {
    read_nested(file, at, left, 0)
}

fn read_nested(file: &[u8], at: u64, left: &mut usize, depth: usize) -> Result<Conversion, MdfError> {
    let block = Block::whole(file, at, b"##CC")?;
    if depth > DEEPEST {
        return Err(block.damaged(format!("lies more than {DEEPEST} conversions deep")));
    }
    let too_large = MdfError::TooLarge("64 MiB of names and conversions");
    *left = left.checked_sub(block.data.len() + block.links().len() * 8).ok_or(too_large)?;
    let values = usize::from(block.u16(6)?);
    let values = (0..values).map(|i| block.f64(VALUES_AT + i * 8)).collect::<Result<Vec<_>, _>>()?;
    let value = |i: usize| values.get(i).copied().ok_or_else(|| too_few(&block));
    let targets = usize::from(block.u16(4)?);
    let target = |i: usize| if i < targets { block.link(4 + i) } else { 0 };
    let text = |i: usize, left: &mut usize| -> Result<Option<String>, MdfError> {
        let text = (target(i) != 0).then(|| block::text(file, target(i))).transpose()?;
        let bytes = text.as_ref().map_or(0, String::len);
        *left = left.checked_sub(bytes).ok_or(MdfError::TooLarge("64 MiB of names and conversions"))?;
        Ok(text)
    };
    let label = |i: usize, left: &mut usize| -> Result<Label, MdfError> {
        if target(i) != 0 && Block::any(file, target(i))?.id == *b"##CC" {
            return Ok(Label::Through(Box::new(read_nested(file, target(i), left, depth + 1)?)));
        }
        Ok(text(i, left)?.map_or(Label::Nothing, Label::Text))
    };
    Ok(match block.u8(0)? {
        0 => Conversion::Identity,
        1 => Conversion::Linear { offset: value(0)?, factor: value(1)? },
        2 => Conversion::Rational([value(0)?, value(1)?, value(2)?, value(3)?, value(4)?, value(5)?]),
        3 => {
            let formula = text(0, left)?.unwrap_or_default();
            return Err(block.damaged(format!("is the formula `{formula}`; formulas are not read")));
        }
        kind @ (4 | 5) => {
            let mut points: Vec<_> = values.chunks_exact(2).map(|point| (point[0], point[1])).collect();
            if points.is_empty() || points.iter().any(|(key, _)| key.is_nan()) {
                return Err(too_few(&block));
            }
            points.sort_by(|a, b| a.0.total_cmp(&b.0));
            if kind == 4 { Conversion::Interpolated(points) } else { Conversion::Nearest(points) }
        }
        6 => {
            let ranges = values.chunks_exact(3).map(|range| (range[0], range[1], range[2])).collect();
            // Without a default a value outside every range has none.
            let default = if values.len() % 3 == 1 { value(values.len() - 1)? } else { f64::NAN };
            Conversion::Ranges(Ranges::checked(ranges, &block)?, default)
        }
        7 => {
            let mut labels = Vec::with_capacity(values.len());
            for (i, key) in values.iter().enumerate() {
                labels.push((*key, label(i, left)?));
            }
            // Stable: of equal keys the first counts.
            labels.sort_by(|a, b| a.0.total_cmp(&b.0));
            Conversion::Labels(labels, label(values.len(), left)?)
        }
        8 => {
            let mut ranges = Vec::with_capacity(values.len() / 2);
            for (i, range) in values.chunks_exact(2).enumerate() {
                ranges.push((range[0], range[1], label(i, left)?));
            }
            let default = label(ranges.len(), left)?;
            Conversion::RangeLabels(Ranges::checked(ranges, &block)?, default)
        }
        9 => {
            let mut numbers = Vec::with_capacity(targets);
            for i in 0..targets {
                numbers.push((text(i, left)?.unwrap_or_default(), value(i)?));
            }
            numbers.sort_by(|a, b| a.0.cmp(&b.0));
            Conversion::FromText(numbers, values.get(targets).copied().unwrap_or(f64::NAN))
        }
        10 => {
            let mut texts = Vec::with_capacity(targets / 2);
            for i in 0..targets / 2 {
                texts.push((text(2 * i, left)?.unwrap_or_default(), text(2 * i + 1, left)?));
            }
            texts.sort_by(|a, b| a.0.cmp(&b.0));
            Conversion::BetweenTexts(texts, if targets % 2 == 1 { text(targets - 1, left)? } else { None })
        }
        other => return Err(block.damaged(format!("is of kind {other}, which is not read"))),
    })
}

fn too_few(block: &Block<'_>) -> MdfError {
    block.damaged("has too few numbers for its kind, or some that are none".to_owned())
}

impl Conversion {
    /// Whether its values are texts, all but what it passes on to other conversions.
    pub fn gives_text(&self) -> bool {
        matches!(self, Conversion::Labels(..) | Conversion::RangeLabels(..) | Conversion::BetweenTexts(..))
    }

    /// Whether it is for raw texts only.
    pub fn takes_text(&self) -> bool {
        matches!(self, Conversion::FromText(..) | Conversion::BetweenTexts(..))
    }

    /// Whether raw texts may have it.
    pub fn suits_text(&self) -> bool {
        self.takes_text() || *self == Conversion::Identity
    }

    /// Whether some of its values are numbers.
    pub fn gives_numbers(&self) -> bool {
        let through = |label: &Label| matches!(label, Label::Through(next) if next.gives_numbers());
        match self {
            Conversion::Labels(labels, default) => {
                through(default) || labels.iter().any(|(_, label)| through(label))
            }
            Conversion::RangeLabels(ranges, default) => {
                through(default) || ranges.0.iter().any(|(_, _, label)| through(label))
            }
            Conversion::BetweenTexts(..) => false,
            _ => true,
        }
    }

    /// The physical value of a raw number; whether that was an integer decides at the upper end
    /// of ranges.
    pub fn of_number(&self, raw: f64, integer: bool) -> Physical<'_> {
        Physical::Number(match self {
            Conversion::Identity => raw,
            Conversion::Linear { offset, factor } => raw * factor + offset,
            Conversion::Rational([p1, p2, p3, p4, p5, p6]) => {
                (p1 * raw * raw + p2 * raw + p3) / (p4 * raw * raw + p5 * raw + p6)
            }
            Conversion::Interpolated(points) => interpolated(points, raw),
            Conversion::Nearest(points) => nearest(points, raw),
            Conversion::Ranges(ranges, default) => *ranges.of(raw, integer).unwrap_or(default),
            Conversion::Labels(labels, default) => {
                let at = labels.partition_point(|(key, _)| *key < raw);
                let found = labels.get(at).filter(|(key, _)| *key == raw);
                return labelled(found.map_or(default, |(_, label)| label), raw, integer);
            }
            Conversion::RangeLabels(ranges, default) => {
                return labelled(ranges.of(raw, integer).unwrap_or(default), raw, integer);
            }
            Conversion::FromText(..) | Conversion::BetweenTexts(..) => return Physical::Nothing,
        })
    }

    /// The physical value of a raw text.
    pub fn of_text<'c>(&'c self, raw: &'c str) -> Physical<'c> {
        match self {
            Conversion::FromText(numbers, default) => {
                let at = numbers.partition_point(|(key, _)| key.as_str() < raw);
                let found = numbers.get(at).filter(|(key, _)| key == raw);
                Physical::Number(found.map_or(*default, |(_, number)| *number))
            }
            Conversion::BetweenTexts(texts, default) => {
                let at = texts.partition_point(|(key, _)| key.as_str() < raw);
                let found = texts.get(at).filter(|(key, _)| key == raw);
                let text = found.map_or(default, |(_, text)| text);
                text.as_deref().map_or(Physical::Nothing, Physical::Text)
            }
            _ => Physical::Text(raw),
        }
    }
}

fn labelled(label: &Label, raw: f64, integer: bool) -> Physical<'_> {
    match label {
        Label::Nothing => Physical::Nothing,
        Label::Text(text) => Physical::Text(text),
        Label::Through(conversion) => conversion.of_number(raw, integer),
    }
}

fn interpolated(points: &[(f64, f64)], raw: f64) -> f64 {
    if raw.is_nan() {
        return raw;
    }
    let above = points.partition_point(|(key, _)| *key <= raw);
    match (above.checked_sub(1).and_then(|below| points.get(below)), points.get(above)) {
        (Some((x0, y0)), Some((x1, y1))) => y0 + (y1 - y0) * (raw - x0) / (x1 - x0),
        (Some((_, value)), None) | (None, Some((_, value))) => *value,
        (None, None) => f64::NAN,
    }
}

fn nearest(points: &[(f64, f64)], raw: f64) -> f64 {
    if raw.is_nan() {
        return raw;
    }
    let above = points.partition_point(|(key, _)| *key <= raw);
    match (above.checked_sub(1).and_then(|below| points.get(below)), points.get(above)) {
        (Some((x0, y0)), Some((x1, y1))) => {
            if raw - x0 > x1 - raw {
                *y1
            } else {
                *y0
            }
        }
        (Some((_, value)), None) | (None, Some((_, value))) => *value,
        (None, None) => f64::NAN,
    }
}

impl<T> Ranges<T> {
    fn checked(mut ranges: Vec<(f64, f64, T)>, block: &Block<'_>) -> Result<Self, MdfError> {
        if ranges.iter().any(|(least, greatest, _)| least.is_nan() || greatest.is_nan() || least > greatest) {
            return Err(block.damaged("has a range that ends before it starts".to_owned()));
        }
        ranges.sort_by(|a, b| a.0.total_cmp(&b.0));
        if ranges.windows(2).any(|pair| pair[0].1 > pair[1].0) {
            return Err(block.damaged("has ranges that overlap".to_owned()));
        }
        Ok(Self(ranges))
    }

    /// The greatest key belongs to a range of integers, and not to one of other numbers, which
    /// the next range takes up.
    fn of(&self, raw: f64, integer: bool) -> Option<&T> {
        let below = self.0.partition_point(|(least, _, _)| *least <= raw).checked_sub(1)?;
        let (least, greatest, value) = self.0.get(below)?;
        let inside = raw < *greatest || (integer && raw == *greatest) || (raw == *least && least == greatest);
        inside.then_some(value)
    }
}
