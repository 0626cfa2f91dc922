//! The tree of an MDF 4 file: data groups, channel groups, channels, and how records are laid out.

use super::block::{self, Block};
use super::conversion::{self, Conversion};
use super::error::MdfError;
use super::raw::{Encoding, Place, Storage};
use std::collections::{BTreeSet, HashMap, HashSet};
use std::sync::Arc;

/// Where the header block stands: behind the identification, always.
const HEADER_AT: u64 = 64;
/// Channels may be made of channels; deeper than this is no measurement.
const DEEPEST: usize = 16;
/// What names, units and conversions may take together (64 MiB).
const MOST_DESCRIPTION_BYTES: usize = 1 << 26;
const MOST_DESCRIPTION: &str = "64 MiB of names and conversions";

/// Records that share one stretch of data.
#[derive(Debug)]
pub(super) struct DataGroup {
    /// Bytes of the record id before each record; 0 where there is one kind only.
    pub id_bytes: u8,
    pub data_at: u64,
    pub groups: Vec<ChannelGroup>,
}

/// One kind of record.
#[derive(Debug)]
pub(super) struct ChannelGroup {
    pub at: u64,
    /// Its name, or its source's where it has none; may be empty.
    pub name: String,
    pub record_id: u64,
    pub records: u64,
    /// Its records are the values of another group's channel, each with its length.
    pub variable_length: bool,
    pub data_bytes: usize,
    pub invalidation_bytes: usize,
    /// The group that has this one's times, where it has none itself.
    pub master_at: u64,
    pub channels: Vec<Member>,
}

/// One channel as the file describes it.
#[derive(Debug)]
pub(super) struct Member {
    pub name: String,
    pub unit: String,
    pub master: bool,
    /// Of a master or a channel in step with it: 1 is time in s, 2 angle, 3 distance, 4 index.
    pub sync: u8,
    pub place: Place,
    pub conversion: Arc<Conversion>,
    /// The values of a channel of variable length.
    pub signal_at: u64,
    /// Why its values cannot be read, whatever the records hold.
    pub unreadable: Option<String>,
}

/// Everything below the header.
#[derive(Debug, Default)]
pub(super) struct Structure {
    pub data_groups: Vec<DataGroup>,
    /// Why further data groups are missing.
    pub stopped: Option<String>,
    pub linked: BTreeSet<u64>,
}

/// Walks the links, each block of the tree once.
struct Walk<'a> {
    file: &'a [u8],
    visited: HashSet<u64>,
    linked: BTreeSet<u64>,
    conversions: HashMap<u64, Arc<Conversion>>,
    left: usize,
}

/// The tree of the file.
///
/// # Errors
/// When not even the first data group can be read.
pub(super) fn read(file: &[u8]) -> Result<Structure, MdfError> {
    let mut walk = Walk {
        file,
        visited: HashSet::new(),
        linked: BTreeSet::new(),
        conversions: HashMap::new(),
        left: MOST_DESCRIPTION_BYTES,
    };
    let header = walk.node(HEADER_AT, b"##HD")?;
    let mut structure = Structure::default();
    let mut at = header.link(0);
    while at != 0 {
        match walk.data_group(at) {
            Ok((group, next)) => {
                structure.data_groups.push(group);
                at = next;
            }
            Err(error) if structure.data_groups.is_empty() => return Err(error),
            Err(MdfError::TooLarge(limit)) => return Err(MdfError::TooLarge(limit)),
            Err(error) => {
                structure.stopped = Some(error.to_string());
                break;
            }
        }
    }
    structure.linked = walk.linked;
    Ok(structure)
}

impl<'a> Walk<'a> {
    /// A block of the tree, which only one link may lead to.
    fn node(&mut self, at: u64, id: &[u8; 4]) -> Result<Block<'a>, MdfError> {
        let block = Block::whole(self.file, at, id)?;
        if !self.visited.insert(at) {
            return Err(block.damaged("is linked twice: its links run in a circle".to_owned()));
        }
        self.linked.extend(block.links());
        Ok(block)
    }

    fn charge(&mut self, bytes: usize) -> Result<(), MdfError> {
        self.left = self.left.checked_sub(bytes).ok_or(MdfError::TooLarge(MOST_DESCRIPTION))?;
        Ok(())
    }

    /// A name or unit. One that is broken is as good as none: the values need it not.
    fn text(&mut self, at: u64) -> Result<String, MdfError> {
        let text = block::text(self.file, at).unwrap_or_default();
        self.charge(text.len())?;
        Ok(text)
    }

    fn data_group(&mut self, at: u64) -> Result<(DataGroup, u64), MdfError> {
        let block = self.node(at, b"##DG")?;
        let id_bytes = block.u8(0)?;
        if !matches!(id_bytes, 0 | 1 | 2 | 4 | 8) {
            return Err(block.damaged(format!("says that record ids have {id_bytes} bytes")));
        }
        let mut groups = Vec::new();
        let mut next = block.link(1);
        while next != 0 {
            let (group, after) = self.channel_group(next)?;
            groups.push(group);
            next = after;
        }
        Ok((DataGroup { id_bytes, data_at: block.link(2), groups }, block.link(0)))
    }

    fn channel_group(&mut self, at: u64) -> Result<(ChannelGroup, u64), MdfError> {
        const VARIABLE_LENGTH: u16 = 1;
        const REMOTE_MASTER: u16 = 1 << 3;
        let block = self.node(at, b"##CG")?;
        let flags = block.u16(16)?;
        let mut channels = Vec::new();
        self.channels(block.link(1), 0, &mut channels)?;
        let mut name = self.text(block.link(2))?;
        if name.is_empty() {
            name = self.source(block.link(3))?;
        }
        let group = ChannelGroup {
            at,
            name,
            record_id: block.u64(0)?,
            records: block.u64(8)?,
            variable_length: flags & VARIABLE_LENGTH != 0,
            data_bytes: block.u32(24)? as usize,
            invalidation_bytes: block.u32(28)? as usize,
            master_at: if flags & REMOTE_MASTER != 0 { block.link(6) } else { 0 },
            channels,
        };
        Ok((group, block.link(0)))
    }

    /// What was measured with: the source's name, or its path.
    fn source(&mut self, at: u64) -> Result<String, MdfError> {
        let Ok(block) = Block::whole(self.file, at, b"##SI") else { return Ok(String::new()) };
        let name = self.text(block.link(0))?;
        if name.is_empty() { self.text(block.link(1)) } else { Ok(name) }
    }

    /// A chain of channels, with those that each is made of behind it.
    fn channels(&mut self, first: u64, depth: usize, channels: &mut Vec<Member>) -> Result<(), MdfError> {
        let mut at = first;
        while at != 0 {
            let block = self.node(at, b"##CN")?;
            if depth > DEEPEST {
                return Err(block.damaged(format!("lies more than {DEEPEST} channels deep")));
            }
            let mut member = self.member(&block)?;
            let parts = block.link(1);
            let parts_id =
                if parts == 0 { None } else { Block::any(self.file, parts).ok().map(|part| part.id) };
            if parts_id == Some(*b"##CA") {
                member.unreadable = Some("is an array; only single values can be read".to_owned());
            }
            channels.push(member);
            if parts_id == Some(*b"##CN") {
                self.channels(parts, depth + 1, channels)?;
            }
            at = block.link(0);
        }
        Ok(())
    }

    fn member(&mut self, block: &Block<'a>) -> Result<Member, MdfError> {
        const ALL_INVALID: u32 = 1;
        const INVALIDATION_BIT: u32 = 1 << 1;
        let mut unreadable = None;
        let storage = Storage::of(block.u8(0)?);
        let encoding = Encoding::of(block.u8(2)?);
        let flags = block.u32(12)?;
        let place = Place {
            storage,
            encoding,
            byte: block.u32(4)? as usize,
            bit: usize::from(block.u8(3)?),
            bits: block.u32(8)? as usize,
            invalidation_bit: (flags & INVALIDATION_BIT != 0).then_some(block.u32(16)? as usize),
            never_valid: flags & ALL_INVALID != 0,
        };
        let (conversion, own_unit) = match self.conversion(block.link(4)) {
            Ok(read) => read,
            Err(MdfError::TooLarge(limit)) => return Err(MdfError::TooLarge(limit)),
            Err(error) => {
                unreadable = Some(format!("has a conversion that cannot be read: {error}"));
                (Arc::default(), 0)
            }
        };
        if let Some(why) = place.unreadable() {
            unreadable = Some(why);
        }
        let unit = self.text(block.link(6))?;
        Ok(Member {
            name: self.text(block.link(2))?,
            unit: if unit.is_empty() { self.text(own_unit)? } else { unit },
            master: matches!(storage, Storage::Master | Storage::VirtualMaster),
            sync: block.u8(1)?,
            place,
            conversion,
            signal_at: if storage == Storage::Variable { block.link(5) } else { 0 },
            unreadable,
        })
    }

    /// A conversion, shared by the channels that link it, and the link to its unit.
    fn conversion(&mut self, at: u64) -> Result<(Arc<Conversion>, u64), MdfError> {
        if at == 0 {
            return Ok((Arc::default(), 0));
        }
        let unit = Block::whole(self.file, at, b"##CC")?.link(1);
        if let Some(conversion) = self.conversions.get(&at) {
            return Ok((Arc::clone(conversion), unit));
        }
        let mut left = self.left;
        let conversion = conversion::read(self.file, at, &mut left);
        self.left = left;
        let conversion = Arc::new(conversion?);
        self.conversions.insert(at, Arc::clone(&conversion));
        Ok((conversion, unit))
    }
}
