//! CAN frames out of ASAM bus logging: groups with `CAN_DataFrame` and its parts.

use super::{Group, MdfError, MdfFile};

/// A frame that was on the bus.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CanFrame<'f> {
    /// Seconds from the start of the measurement.
    pub time_s: f64,
    /// 11 bits, or 29 where it is an extended one.
    pub id: u32,
    /// Whether the id has 29 bits.
    pub extended: bool,
    /// As many bytes as the frame says it has.
    pub data: &'f [u8],
}

/// The frames of a file in the order of their times.
#[derive(Debug, Default)]
pub struct CanFrames<'f> {
    /// All that could be read.
    pub frames: Vec<CanFrame<'f>>,
    /// Frames that lack a time, an id or their bytes.
    pub unreadable: usize,
}

impl MdfFile<'_> {
    /// Whether the file logs CAN frames, instead of channels or beside them.
    pub fn logs_can_frames(&self) -> bool {
        self.groups.iter().any(|group| part(group, "ID").is_some() && part(group, "DataBytes").is_some())
    }

    /// All frames of all groups, whatever bus they were on.
    ///
    /// # Errors
    /// When a part of the frames cannot be read.
    pub fn can_frames(&self) -> Result<CanFrames<'_>, MdfError> {
        /// An id may carry the bit that marks it as extended, above its 29.
        const EXTENDED_ID: u32 = (1 << 29) - 1;
        let mut all = CanFrames::default();
        for (index, group) in self.groups.iter().enumerate().filter(|(_, group)| group.records > 0) {
            let Some((id, data)) = part(group, "ID").zip(part(group, "DataBytes")) else { continue };
            let times_s = self.times_s(index)?;
            let ids = self.numbers(index, id)?;
            let data = self.bytes(index, data)?;
            let optional = |name| part(group, name).map(|channel| self.numbers(index, channel)).transpose();
            let (lengths, extended) = (optional("DataLength")?, optional("IDE")?);
            let at = |values: &Option<Vec<f64>>, i: usize| {
                values.as_ref().and_then(|values| values.get(i).copied())
            };
            for (i, ((time_s, id), data)) in times_s.into_iter().zip(ids).zip(data).enumerate() {
                let Some(data) = data.filter(|_| time_s.is_finite() && id >= 0.0) else {
                    all.unreadable += 1;
                    continue;
                };
                let length =
                    at(&lengths, i).filter(|length| *length >= 0.0).map_or(data.len(), |n| n as usize);
                let id = id as u32 & EXTENDED_ID;
                let data = &data[..length.min(data.len())];
                all.frames.push(CanFrame { time_s, id, extended: at(&extended, i) == Some(1.0), data });
            }
        }
        // Stable: frames of one time stay in the order of the file.
        all.frames.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
        Ok(all)
    }
}

/// The channel of one part of a frame, such as `CAN_DataFrame.ID`.
fn part(group: &Group, name: &str) -> Option<usize> {
    group
        .channels
        .iter()
        .position(|channel| channel.name.strip_prefix("CAN_DataFrame.").is_some_and(|part| part == name))
}
