//! The values of a whole channel.

use super::block::u32_at;
use super::conversion::Physical;
use super::raw::{self, Storage};
use super::records::{LENGTH_BYTES, Records};
use super::{Channel, Holds, MdfError, MdfFile};

/// What the texts of one channel may take (256 MiB): many records may share one long text.
const MOST_TEXT_BYTES: usize = 1 << 28;

/// What a record has for a channel, before conversion.
enum Raw<'a> {
    Number(f64),
    Bytes(&'a [u8]),
    /// Invalid, or not in the file.
    Nothing,
}

/// A channel with what is needed to read it.
struct Reading<'a> {
    channel: &'a Channel,
    records: &'a Records<'a>,
    signal: Option<&'a Records<'a>>,
    /// Where the next value is, of those that have no offset.
    in_order: Option<u64>,
}

impl MdfFile<'_> {
    /// Physical values, one a record; NaN where a value is invalid, missing or a text.
    ///
    /// # Errors
    /// When the channel is not there, cannot be read, or holds texts or bytes only.
    pub fn numbers(&self, group: usize, channel: usize) -> Result<Vec<f64>, MdfError> {
        let reading = self.reading(group, channel)?;
        let conversion = &reading.channel.conversion;
        let encoding = reading.channel.place.encoding;
        match reading.channel.holds {
            Holds::Numbers | Holds::Both => {}
            Holds::Text => return Err(reading.refused("holds texts, not numbers")),
            _ => return Err(reading.refused("holds bytes, not numbers")),
        }
        let integer = reading.channel.place.is_integer();
        Ok(reading
            .values()
            .map(|raw| {
                let decoded;
                let physical = match raw {
                    Raw::Number(raw) => conversion.of_number(raw, integer),
                    Raw::Bytes(bytes) => {
                        decoded = raw::decoded(encoding, bytes);
                        conversion.of_text(&decoded)
                    }
                    Raw::Nothing => Physical::Nothing,
                };
                if let Physical::Number(number) = physical { number } else { f64::NAN }
            })
            .collect())
    }

    /// Texts, one a record; `None` where a value is invalid, missing or has no text.
    ///
    /// # Errors
    /// When the channel is not there, cannot be read, or holds numbers or bytes only; when the
    /// texts are too many.
    pub fn text(&self, group: usize, channel: usize) -> Result<Vec<Option<String>>, MdfError> {
        let reading = self.reading(group, channel)?;
        let conversion = &reading.channel.conversion;
        let encoding = reading.channel.place.encoding;
        match reading.channel.holds {
            Holds::Text | Holds::Both => {}
            Holds::Numbers => return Err(reading.refused("holds numbers, not texts")),
            _ => return Err(reading.refused("holds bytes, not texts")),
        }
        let integer = reading.channel.place.is_integer();
        let mut left = MOST_TEXT_BYTES;
        let mut texts = Vec::with_capacity(reading.records.count);
        for raw in reading.values() {
            let decoded;
            let physical = match raw {
                Raw::Number(raw) => conversion.of_number(raw, integer),
                Raw::Bytes(bytes) => {
                    left = left.checked_sub(bytes.len()).ok_or(MdfError::TooLarge("256 MiB of texts"))?;
                    decoded = raw::decoded(encoding, bytes);
                    conversion.of_text(&decoded)
                }
                Raw::Nothing => Physical::Nothing,
            };
            let text = match physical {
                Physical::Text(text) => Some(text.to_owned()),
                Physical::Number(number) => Some(number.to_string()),
                Physical::Nothing => None,
            };
            let bytes = text.as_ref().map_or(0, String::len);
            left = left.checked_sub(bytes).ok_or(MdfError::TooLarge("256 MiB of texts"))?;
            texts.push(text);
        }
        Ok(texts)
    }

    /// The bytes of each record, as they are stored; `None` where invalid or missing.
    ///
    /// # Errors
    /// When the channel is not there, or cannot be read.
    pub fn bytes(&self, group: usize, channel: usize) -> Result<Vec<Option<&[u8]>>, MdfError> {
        let reading = self.reading(group, channel)?;
        if reading.channel.holds != Holds::Bytes {
            return Err(reading.refused("holds numbers or texts, not bytes"));
        }
        Ok(reading.values().map(|raw| if let Raw::Bytes(bytes) = raw { Some(bytes) } else { None }).collect())
    }

    /// The times of a group's records in s, from the start of the measurement.
    ///
    /// # Errors
    /// When the group is not there or has no times.
    pub fn times_s(&self, group: usize) -> Result<Vec<f64>, MdfError> {
        let missing = || MdfError::NoSuchChannel { group, channel: 0 };
        let of = self.groups.get(group).ok_or_else(missing)?;
        let (master_group, master) = of.time.ok_or_else(|| {
            let why = "of times in s is missing in the channel group".to_owned();
            MdfError::Channel { channel: "time".to_owned(), why: format!("{why} `{}`", of.name) }
        })?;
        let mut times = self.numbers(master_group, master)?;
        times.resize(usize::try_from(of.records).unwrap_or(0), f64::NAN);
        Ok(times)
    }

    fn reading(&self, group: usize, channel: usize) -> Result<Reading<'_>, MdfError> {
        let missing = MdfError::NoSuchChannel { group, channel };
        let of = self.groups.get(group).ok_or(missing.clone())?;
        let (of_channel, records) =
            of.channels.get(channel).zip(self.streams.get(of.stream)).ok_or(missing)?;
        let reading = Reading {
            channel: of_channel,
            records,
            signal: of_channel.signal.and_then(|stream| self.streams.get(stream)),
            in_order: (self.offsets_missing && of_channel.signal_is_group).then_some(0),
        };
        match &of_channel.holds {
            Holds::Unreadable(why) => Err(reading.refused(why)),
            _ => Ok(reading),
        }
    }
}

impl<'a> Reading<'a> {
    fn refused(&self, why: &str) -> MdfError {
        MdfError::Channel { channel: self.channel.name.clone(), why: why.to_owned() }
    }

    fn values(mut self) -> impl Iterator<Item = Raw<'a>> {
        (0..self.records.count).map(move |index| self.raw(index))
    }

    fn raw(&mut self, index: usize) -> Raw<'a> {
        let place = &self.channel.place;
        let records = self.records;
        let record = if records.record_bytes == 0 { Some((&[][..], &[][..])) } else { records.get(index) };
        let Some((record, invalidation)) = record else { return Raw::Nothing };
        // Values without offsets are counted off, valid or not.
        let at = match self.in_order {
            Some(at) => {
                let length = self.signal.and_then(|signal| u32_at(&signal.bytes, usize::try_from(at).ok()?));
                self.in_order = Some(at.saturating_add(LENGTH_BYTES as u64 + u64::from(length.unwrap_or(0))));
                Some(at)
            }
            None => place.offset(record),
        };
        if !place.valid(invalidation) {
            return Raw::Nothing;
        }
        if place.storage.is_virtual() {
            return Raw::Number(index as f64);
        }
        if place.storage == Storage::Variable {
            let value = self.signal.zip(at).and_then(|(signal, at)| value_at(&signal.bytes, at));
            return value.map_or(Raw::Nothing, Raw::Bytes);
        }
        if place.is_number() {
            return place.number(record).map_or(Raw::Nothing, Raw::Number);
        }
        place.bytes(record).map_or(Raw::Nothing, Raw::Bytes)
    }
}

/// The value of variable length at an offset, behind its length.
fn value_at(bytes: &[u8], at: u64) -> Option<&[u8]> {
    let at = usize::try_from(at).ok()?;
    let length = u32_at(bytes, at)? as usize;
    let from = at.checked_add(LENGTH_BYTES)?;
    bytes.get(from..from.checked_add(length)?)
}
