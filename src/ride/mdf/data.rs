//! A group's data, in one piece: the data blocks that lists link, unpacked and put together.
//!
//! Data never fail for a damage: they end at it, and say why. Only too much of them is refused.

use super::block::{Block, HEADER_BYTES};
use super::error::MdfError;
use super::inflate;
use std::borrow::Cow;
use std::collections::{BTreeSet, HashSet};

/// What all the data of a file may take in memory, unpacked (1 GiB): beyond it is refused, so that
/// a small hostile file cannot fill the machine.
const MOST_UNPACKED_BYTES: u64 = 1 << 30;
const MOST_UNPACKED: &str = "1 GiB of data";
/// Blocks start at multiples of this.
const ALIGNMENT: u64 = 8;
/// In a data list for columns: it links invalidation bytes too.
const LIST_HAS_INVALIDATION: u32 = 1 << 31;

/// What a file that was not finalised says it still needs (`id_unfin_flags`).
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Unfinished(pub u16);

impl Unfinished {
    pub fn any(self) -> bool {
        self.0 != 0
    }

    pub fn cycle_counts(self) -> bool {
        self.0 & 1 != 0
    }

    fn last_data_length(self) -> bool {
        self.0 & 1 << 2 != 0
    }

    fn last_list(self) -> bool {
        self.0 & 1 << 4 != 0
    }

    pub fn variable_length_offsets(self) -> bool {
        self.0 & 1 << 6 != 0
    }
}

/// The bytes behind a data link.
#[derive(Debug, Default)]
pub(super) struct Data<'a> {
    pub bytes: Cow<'a, [u8]>,
    /// Invalidation bytes, where they are stored apart from the records.
    pub invalidation: Vec<u8>,
    /// Whether they are, present or not.
    pub apart: bool,
    /// Why it ends before its time.
    pub stopped: Option<String>,
}

/// Reads data, and keeps account of what was linked and how much was unpacked.
#[derive(Debug)]
pub(super) struct DataReader<'a> {
    file: &'a [u8],
    unfinished: Unfinished,
    /// Every link's target that was met: where another block is known to start.
    linked: BTreeSet<u64>,
    /// The targets of the data groups' links.
    of_groups: BTreeSet<u64>,
    lists: HashSet<u64>,
    left: u64,
}

impl<'a> DataReader<'a> {
    pub fn new(
        file: &'a [u8],
        unfinished: Unfinished,
        linked: BTreeSet<u64>,
        of_groups: BTreeSet<u64>,
    ) -> Self {
        Self { file, unfinished, linked, of_groups, lists: HashSet::new(), left: MOST_UNPACKED_BYTES }
    }

    /// Counts memory or work against the limit.
    pub fn charge(&mut self, bytes: u64) -> Result<(), MdfError> {
        self.left = self.left.checked_sub(bytes).ok_or(MdfError::TooLarge(MOST_UNPACKED))?;
        Ok(())
    }

    /// All the data behind a link; nothing without one.
    ///
    /// # Errors
    /// Only when it is more than the limit.
    pub fn read(&mut self, at: u64) -> Result<Data<'a>, MdfError> {
        let mut data = Data::default();
        match if at == 0 { Ok(()) } else { self.follow(at, &mut data) } {
            Err(MdfError::TooLarge(limit)) => return Err(MdfError::TooLarge(limit)),
            Err(damage) => data.stopped = Some(damage.to_string()),
            Ok(()) => {}
        }
        Ok(data)
    }

    fn follow(&mut self, at: u64, data: &mut Data<'a>) -> Result<(), MdfError> {
        let block = Block::any(self.file, at)?;
        match &block.id {
            b"##HL" => self.lists(block.link(0), data),
            b"##DL" | b"##LD" => self.lists(at, data),
            _ => {
                data.apart = block.id == *b"##DV";
                self.piece(block, data)
            }
        }
    }

    fn lists(&mut self, first: u64, data: &mut Data<'a>) -> Result<(), MdfError> {
        let mut at = first;
        while at != 0 {
            let list = Block::any(self.file, at)?;
            if !self.lists.insert(at) {
                return Err(list.damaged("is linked twice: its links run in a circle".to_owned()));
            }
            at = self.list(list, data)?;
        }
        Ok(())
    }

    /// One list block; the link to the next.
    fn list(&mut self, list: Block<'a>, data: &mut Data<'a>) -> Result<u64, MdfError> {
        let columns = list.id == *b"##LD";
        if !columns && list.id != *b"##DL" {
            return Err(list.damaged("stands where a list of data blocks should be".to_owned()));
        }
        self.charge(HEADER_BYTES)?;
        let count = list.u32(4)? as usize;
        let with_invalidation = columns && list.u32(0)? & LIST_HAS_INVALIDATION != 0;
        data.apart |= columns;
        self.linked.extend(list.links());
        let mut links = list.links().skip(1);
        let mut end = list.data_at + list.data.len() as u64;
        let mut empty = 0;
        for link in links.by_ref().take(count) {
            if link == 0 {
                empty += 1;
                continue;
            }
            let block = Block::any(self.file, link)?;
            end = end.max(block.data_at + block.data.len() as u64);
            self.piece(block, data)?;
        }
        if with_invalidation {
            for link in links.take(count).filter(|link| *link != 0) {
                let mut invalidation =
                    Data { bytes: Cow::Owned(std::mem::take(&mut data.invalidation)), ..Data::default() };
                let read = Block::any(self.file, link).and_then(|block| self.piece(block, &mut invalidation));
                data.invalidation = invalidation.bytes.into_owned();
                read?;
            }
        }
        let next = list.link(0);
        if next == 0 && self.unfinished.last_list() {
            self.unlisted(end, empty, data)?;
        } else if empty > 0 {
            return Err(list.damaged(format!("lacks {empty} of its {count} links")));
        }
        Ok(next)
    }

    /// Data blocks that were written but did not get into the last list any more.
    fn unlisted(&mut self, end: u64, most: usize, data: &mut Data<'a>) -> Result<(), MdfError> {
        let mut at = end.next_multiple_of(ALIGNMENT);
        for _ in 0..most {
            let block = Block::any(self.file, at).ok().filter(|block| matches!(&block.id, b"##DT" | b"##DZ"));
            let Some(block) = block.filter(|_| !self.linked.contains(&at)) else { break };
            at = (block.data_at + block.data.len() as u64).next_multiple_of(ALIGNMENT);
            self.piece(block, data)?;
        }
        Ok(())
    }

    /// One data block, put behind what is there already.
    fn piece(&mut self, block: Block<'a>, data: &mut Data<'a>) -> Result<(), MdfError> {
        self.charge(HEADER_BYTES)?;
        match &block.id {
            b"##DT" | b"##DV" | b"##DI" | b"##SD" => {
                let (bytes, missing) = self.extent(&block);
                if data.bytes.is_empty() {
                    data.bytes = Cow::Borrowed(bytes);
                } else {
                    // Also what was borrowed so far is copied, once.
                    let copied = if matches!(data.bytes, Cow::Borrowed(_)) { data.bytes.len() } else { 0 };
                    self.charge((copied + bytes.len()) as u64)?;
                    data.bytes.to_mut().extend_from_slice(bytes);
                }
                if missing > 0 {
                    return Err(block.damaged(format!("lacks its last {missing} bytes: the file ends there")));
                }
                Ok(())
            }
            b"##DZ" => {
                let packed = inflate::Packed::of(&block)?;
                self.charge(packed.cost())?;
                let (bytes, damage) = packed.unpack();
                if data.bytes.is_empty() {
                    data.bytes = Cow::Owned(bytes);
                } else {
                    data.bytes.to_mut().extend_from_slice(&bytes);
                }
                damage.map_or(Ok(()), |what| Err(block.damaged(what)))
            }
            _ => Err(block.damaged("stands where data should be".to_owned())),
        }
    }

    /// A plain block's data. The length of the last one is unknown where it was not finalised:
    /// it goes to the next block that is known, or to the end of the file.
    fn extent(&self, block: &Block<'a>) -> (&'a [u8], u64) {
        let beyond = block.at + 1..;
        let last = self.of_groups.range(beyond.clone()).next().is_none();
        let next = self.linked.range(beyond).next();
        let last = last && matches!(&block.id, b"##DT" | b"##DV");
        if self.unfinished.last_data_length() && last && (block.data.is_empty() || next.is_none()) {
            let end = next.map_or(self.file.len(), |next| usize::try_from(*next).unwrap_or(usize::MAX));
            let end = end.min(self.file.len());
            return (self.file.get(block.data_at as usize..end).unwrap_or_default(), 0);
        }
        (block.data, block.missing)
    }
}
