//! One data group's bytes → the records of each of its channel groups.

use super::block::{array, u32_at};
use super::data::{Data, DataReader, Unfinished};
use super::error::MdfError;
use super::structure::{ChannelGroup, DataGroup};
use std::borrow::Cow;
use std::collections::HashMap;

/// Bytes of the length before each value of variable length.
pub(super) const LENGTH_BYTES: usize = 4;
/// Of one group; at 1000 a second these are 9 h. Records of one byte, packed, would else become
/// far more in memory than the data are.
const MOST_RECORDS: u64 = 1 << 25;
const MOST: &str = "33 million records in a channel group";
/// Of a group whose channels are all virtual, which takes no room in the file.
const MOST_VIRTUAL_RECORDS: u64 = 1_000_000;
const MOST_VIRTUAL: &str = "1 million records in a channel group that stores nothing";

/// The records of one channel group, one behind the other: data bytes, then invalidation bytes.
/// Of a group of variable length: each value behind its length.
#[derive(Debug, Default)]
pub(super) struct Records<'a> {
    pub bytes: Cow<'a, [u8]>,
    pub data_bytes: usize,
    pub record_bytes: usize,
    pub count: usize,
}

/// The bytes of each channel group's records.
type Streams<'a> = Vec<Cow<'a, [u8]>>;

impl Records<'_> {
    /// The data bytes and the invalidation bytes of one record.
    pub fn get(&self, index: usize) -> Option<(&[u8], &[u8])> {
        let from = index.checked_mul(self.record_bytes)?;
        let record = self.bytes.get(from..from.checked_add(self.record_bytes)?)?;
        record.split_at_checked(self.data_bytes)
    }
}

/// The records of every channel group, in the order of the groups, and what to tell of them.
///
/// # Errors
/// When there are more than is read at once.
pub(super) fn read<'a>(
    group: &DataGroup,
    reader: &mut DataReader<'a>,
    unfinished: Unfinished,
) -> Result<(Vec<Records<'a>>, Vec<String>), MdfError> {
    let mut data = reader.read(group.data_at)?;
    let mut remarks = Vec::new();
    let stopped = data.stopped.take();
    let (streams, odd) = match group.groups.as_slice() {
        [only] if group.id_bytes == 0 => (vec![in_one_piece(only, data, reader)?], None),
        [_, _, ..] if group.id_bytes == 0 => {
            let what = "channel groups share a stretch of data without record ids: none of them is read";
            (group.groups.iter().map(|_| Cow::default()).collect(), Some(what.to_owned()))
        }
        groups => sorted(groups, group.id_bytes, &data, reader)?,
    };
    remarks.extend(stopped.map(|why| format!("the file {why}; the records before that are read")));
    remarks.extend(odd);
    let mut all = Vec::with_capacity(streams.len());
    for (channel_group, bytes) in group.groups.iter().zip(streams) {
        all.push(counted(channel_group, bytes, unfinished, &mut remarks)?);
    }
    Ok((all, remarks))
}

/// The records of a group that has its data for itself.
fn in_one_piece<'a>(
    group: &ChannelGroup,
    data: Data<'a>,
    reader: &mut DataReader<'a>,
) -> Result<Cow<'a, [u8]>, MdfError> {
    if !data.apart || group.invalidation_bytes == 0 {
        return Ok(data.bytes);
    }
    let records = data.bytes.len().checked_div(group.data_bytes).unwrap_or(0);
    let record_bytes = group.data_bytes.saturating_add(group.invalidation_bytes);
    reader.charge((records as u64).saturating_mul(record_bytes as u64))?;
    let mut bytes = Vec::new();
    for (i, record) in data.bytes.chunks_exact(group.data_bytes.max(1)).enumerate() {
        bytes.extend_from_slice(record);
        let from = i * group.invalidation_bytes;
        let bits = data.invalidation.get(from..from + group.invalidation_bytes);
        // No bits are stored where all values are valid.
        match bits {
            Some(bits) => bytes.extend_from_slice(bits),
            None => bytes.resize(bytes.len() + group.invalidation_bytes, 0),
        }
    }
    Ok(Cow::Owned(bytes))
}

/// Sorts records of several kinds by their ids; says where it had to stop.
fn sorted<'a>(
    groups: &[ChannelGroup],
    id_bytes: u8,
    data: &Data<'a>,
    reader: &mut DataReader<'a>,
) -> Result<(Streams<'a>, Option<String>), MdfError> {
    reader.charge(data.bytes.len() as u64)?;
    let by_id: HashMap<u64, usize> =
        groups.iter().enumerate().map(|(i, group)| (group.record_id, i)).collect();
    let mut streams = vec![Vec::new(); groups.len()];
    let mut rest: &[u8] = &data.bytes;
    let mut stopped = None;
    while !rest.is_empty() {
        let at = data.bytes.len() - rest.len();
        let Some((id, behind)) = record_id(rest, id_bytes) else {
            stopped = Some(format!("the last record, at byte {at} of its data, is cut off and left out"));
            break;
        };
        let Some(group) = by_id.get(&id).and_then(|index| groups.get(*index).zip(streams.get_mut(*index)))
        else {
            stopped = Some(format!(
                "the record at byte {at} of its data has the id {id}, which no channel group has: \
                 the {} bytes from there are left out",
                rest.len()
            ));
            break;
        };
        let (group, stream) = group;
        let length = if group.variable_length {
            u32_at(behind, 0).map(|length| (length as usize).saturating_add(LENGTH_BYTES))
        } else {
            Some(group.data_bytes.saturating_add(group.invalidation_bytes))
        };
        let Some((record, after)) = length.and_then(|length| behind.split_at_checked(length)) else {
            stopped = Some(format!("the last record, at byte {at} of its data, is cut off and left out"));
            break;
        };
        stream.extend_from_slice(record);
        rest = after;
    }
    Ok((streams.into_iter().map(Cow::Owned).collect(), stopped))
}

fn record_id(bytes: &[u8], id_bytes: u8) -> Option<(u64, &[u8])> {
    let (id, rest) = bytes.split_at_checked(usize::from(id_bytes))?;
    let mut wide = [0; 8];
    wide.get_mut(..id.len())?.copy_from_slice(id);
    array(&wide, 0).map(|wide| (u64::from_le_bytes(wide), rest))
}

/// Counts the records, and compares with what the file says.
fn counted<'a>(
    group: &ChannelGroup,
    bytes: Cow<'a, [u8]>,
    unfinished: Unfinished,
    remarks: &mut Vec<String>,
) -> Result<Records<'a>, MdfError> {
    let record_bytes = group.data_bytes.saturating_add(group.invalidation_bytes);
    let mut records = Records { bytes, data_bytes: group.data_bytes, record_bytes, count: 0 };
    if group.variable_length {
        return Ok(records);
    }
    let name = if group.name.is_empty() { "without a name" } else { &group.name };
    let said = group.records;
    let here = records.bytes.len().checked_div(record_bytes).map(|here| here as u64);
    let count = match here {
        None if said > MOST_VIRTUAL_RECORDS => return Err(MdfError::TooLarge(MOST_VIRTUAL)),
        None => said,
        // A file that was not finalised has what is there; so has one that says 0 although
        // something is.
        Some(here) if unfinished.cycle_counts() || said == 0 => here,
        Some(here) => said.min(here),
    };
    if count > MOST_RECORDS {
        return Err(MdfError::TooLarge(MOST));
    }
    if count < said {
        remarks.push(format!("of the {said} records of the channel group {name}, {count} are there"));
    } else if count > said {
        remarks.push(format!("the channel group {name} says that it has {said} records; {count} are there"));
    }
    let rest = records.bytes.len().checked_rem(record_bytes).unwrap_or(0);
    if rest > 0 && Some(count) == here && (count != said || unfinished.any()) {
        remarks.push(format!("the last record of the channel group {name} is cut off and left out"));
    }
    records.count = usize::try_from(count).unwrap_or(0);
    Ok(records)
}
