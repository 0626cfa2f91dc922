//! ASAM MDF 4 measurement files (`.mf4`, `.mdf`): an open standard for logs of any rate.
//!
//! A file has channel groups; the channels of a group are sampled together. From its bytes:
//! `block` finds the blocks, `structure` walks their tree, `data` puts a group's data together,
//! `inflate` unpacks them, `records` sorts them, `raw` takes a channel's bits out of a record,
//! `conversion` makes physical values of them, `values` does it for a whole channel, and
//! `bus` reads logged CAN frames.
//!
//! Read are versions 4.00 to 4.20, finalised or not. Not read, and said so: formulas as
//! conversions, arrays, media, complex numbers. A damage in the data ends the data there, with a
//! remark; a damage in the tree is an error. Nothing in a file is trusted: every offset is
//! checked, links that run in circles are found, memory is limited.
//!
//! Source: the layout is from memory and from asammdf 8.8.28, with which the tests compare; the
//! standard's text was not at hand. Names in back quotes are the standard's.

mod block;
mod bus;
mod conversion;
mod data;
mod error;
mod inflate;
mod raw;
mod records;
mod structure;
#[cfg(test)]
mod tests;
mod values;

pub use bus::CanFrame;
pub use error::MdfError;

use conversion::Conversion;
use data::{DataReader, Unfinished};
use raw::Place;
use records::Records;
use std::collections::HashMap;
use std::sync::Arc;
use structure::{Member, Structure};

/// What an MDF file holds. Its values are taken out of it channel by channel.
#[derive(Debug)]
pub struct MdfFile<'a> {
    /// Groups of channels that are sampled together, in the order of the file.
    pub groups: Vec<Group>,
    /// What was odd and what had to be left out, in words.
    pub remarks: Vec<String>,
    /// What the places in the groups and channels index: records and values of variable length.
    streams: Vec<Records<'a>>,
    /// Whether offsets of variable-length values that lie in a group of their own are missing.
    offsets_missing: bool,
}

/// Channels that are sampled together.
#[derive(Debug)]
pub struct Group {
    /// Its name, or its source's where it has none; may be empty.
    pub name: String,
    /// How many records can be read.
    pub records: u64,
    /// Its channels; those that are made of others stand before them.
    pub channels: Vec<Channel>,
    /// Group and channel of its times in s.
    time: Option<(usize, usize)>,
    stream: usize,
}

/// One measured quantity.
#[derive(Debug)]
pub struct Channel {
    /// Its name.
    pub name: String,
    /// Its unit as the file has it; may be empty.
    pub unit: String,
    /// Whether it holds the times of its group, in s.
    pub is_master_time: bool,
    /// What its values are.
    pub holds: Holds,
    place: Place,
    conversion: Arc<Conversion>,
    /// The link to its values of variable length, and the stream that they became.
    signal_at: u64,
    signal: Option<usize>,
    /// Whether that stream is a channel group.
    signal_is_group: bool,
}

/// What a channel's values are, and so by what they can be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Holds {
    /// [`MdfFile::numbers`].
    Numbers,
    /// [`MdfFile::text`].
    Text,
    /// Texts for some raw values, numbers for others: either, with NaN or the number's text.
    Both,
    /// [`MdfFile::bytes`].
    Bytes,
    /// Nothing that can be read, and why.
    Unreadable(String),
}

/// Reads a file's structure, and unpacks its data where they are compressed or mixed.
///
/// # Errors
/// When it is no MDF 4 file, its tree is damaged, or it holds too much. Damage in the data is
/// told in [`MdfFile::remarks`] instead.
pub fn open(bytes: &[u8]) -> Result<MdfFile<'_>, MdfError> {
    let unfinished = identification(bytes)?;
    let Structure { data_groups, stopped, linked } = structure::read(bytes)?;
    let of_groups = data_groups.iter().map(|group| group.data_at).collect();
    let mut reader = DataReader::new(bytes, unfinished, linked, of_groups);
    let mut file = MdfFile {
        groups: Vec::new(),
        remarks: Vec::new(),
        streams: Vec::new(),
        offsets_missing: unfinished.variable_length_offsets(),
    };
    if unfinished.any() {
        file.remarks.push("the file was not finalised: it is read as far as it was written".to_owned());
    }
    file.remarks.extend(stopped.map(|why| format!("further channel groups are left out: the file {why}")));
    let mut stream_of = HashMap::new();
    let mut masters = Vec::new();
    for data_group in data_groups {
        let (records, remarks) = records::read(&data_group, &mut reader, unfinished)?;
        file.remarks.extend(remarks);
        for (group, records) in data_group.groups.into_iter().zip(records) {
            let (stream, count) = (file.streams.len(), records.count as u64);
            stream_of.insert(group.at, stream);
            file.streams.push(records);
            // Groups that only hold another channel's values are no groups to the reader.
            if group.variable_length {
                continue;
            }
            masters.push((group.at, group.master_at));
            file.groups.push(Group {
                name: group.name,
                records: count,
                channels: group.channels.into_iter().map(Channel::of).collect(),
                time: None,
                stream,
            });
        }
    }
    file.find_signals(&stream_of, &mut reader)?;
    file.find_times(&masters);
    Ok(file)
}

/// The state of finalisation, from the first 64 bytes.
///
/// # Errors
/// When it is no MDF file, or of a version that is not read.
fn identification(bytes: &[u8]) -> Result<Unfinished, MdfError> {
    const FINALISED: &[u8] = b"MDF     ";
    const NOT_FINALISED: &[u8] = b"UnFinMF ";
    const WRITTEN_AT: std::ops::Range<usize> = 8..16;
    const VERSION_AT: usize = 28;
    const UNFINISHED_AT: usize = 60;
    let starts = bytes.get(..FINALISED.len()).unwrap_or(bytes);
    if starts != FINALISED && starts != NOT_FINALISED {
        return Err(MdfError::NotMdf(block::shown(starts)));
    }
    let number = |at: usize| block::array(bytes, at).map(u16::from_le_bytes);
    let (Some(version), Some(flags)) = (number(VERSION_AT), number(UNFINISHED_AT)) else {
        let what = format!("ends after {} bytes", bytes.len());
        return Err(MdfError::Damaged { block: "identification", at: 0, what });
    };
    if !(400..500).contains(&version) {
        let written = bytes.get(WRITTEN_AT).map(|text| String::from_utf8_lossy(text).into_owned());
        let written = written.unwrap_or_default();
        return Err(MdfError::Version(written.trim_matches(['\0', ' ']).escape_default().to_string()));
    }
    Ok(Unfinished(if starts == NOT_FINALISED { flags } else { 0 }))
}

impl Channel {
    fn of(member: Member) -> Self {
        /// Of `cn_sync_type`.
        const TIME: u8 = 1;
        let (place, conversion) = (&member.place, &member.conversion);
        let number = place.is_number();
        let holds = if let Some(why) = &member.unreadable {
            Holds::Unreadable(why.clone())
        } else if number && conversion.takes_text() || place.encoding.is_text() && !conversion.suits_text() {
            Holds::Unreadable("has a conversion that does not suit what it holds".to_owned())
        } else if number && conversion.gives_text() {
            if conversion.gives_numbers() { Holds::Both } else { Holds::Text }
        } else if number || place.encoding.is_text() && !conversion.gives_text() && conversion.takes_text() {
            Holds::Numbers
        } else if place.encoding.is_text() {
            Holds::Text
        } else {
            Holds::Bytes
        };
        Self {
            name: member.name,
            unit: member.unit,
            is_master_time: member.master && member.sync == TIME,
            holds,
            place: member.place,
            conversion: member.conversion,
            signal_at: member.signal_at,
            signal: None,
            signal_is_group: false,
        }
    }
}

impl<'a> MdfFile<'a> {
    /// Reads the values of variable length, or finds the group that holds them.
    fn find_signals(
        &mut self,
        stream_of: &HashMap<u64, usize>,
        reader: &mut DataReader<'a>,
    ) -> Result<(), MdfError> {
        for channel in self.groups.iter_mut().flat_map(|group| &mut group.channels) {
            let at = channel.signal_at;
            if at == 0 {
                continue;
            }
            channel.signal_is_group = stream_of.contains_key(&at);
            if let Some(stream) = stream_of.get(&at) {
                channel.signal = Some(*stream);
                continue;
            }
            let data = reader.read(at)?;
            if let Some(why) = data.stopped {
                self.remarks
                    .push(format!("the values of the channel `{}` end early: the file {why}", channel.name));
            }
            channel.signal = Some(self.streams.len());
            self.streams.push(Records { bytes: data.bytes, ..Records::default() });
        }
        Ok(())
    }

    /// Finds each group's times, in itself or in the group that it shares them with.
    fn find_times(&mut self, masters: &[(u64, u64)]) {
        for index in 0..self.groups.len() {
            let own = |group: usize| {
                let channel =
                    self.groups.get(group)?.channels.iter().position(|channel| channel.is_master_time)?;
                Some((group, channel))
            };
            let remote = masters.get(index).map(|(_, remote)| *remote).filter(|remote| *remote != 0);
            let remote = remote.and_then(|remote| masters.iter().position(|(at, _)| *at == remote));
            self.groups[index].time = own(index).or_else(|| own(remote?));
        }
    }
}
