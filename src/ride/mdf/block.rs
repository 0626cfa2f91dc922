//! The blocks an MDF 4 file is made of, found by links and checked before use.
//!
//! A block is: id (4 bytes), 4 bytes unused, length, count of links, the links, the data. All
//! numbers are little-endian, a link is the file offset of another block, 0 is no link.

use super::error::MdfError;

/// Bytes before the links.
pub(super) const HEADER_BYTES: u64 = 24;
const LINK_BYTES: u64 = 8;
/// A name, unit or comment beyond this is no text of a person (64 KiB).
const LONGEST_TEXT_BYTES: usize = 1 << 16;

/// The block ids with what they are called in messages.
const TITLES: [(&[u8; 4], &str); 16] = [
    (b"##HD", "header block (##HD)"),
    (b"##DG", "data group block (##DG)"),
    (b"##CG", "channel group block (##CG)"),
    (b"##CN", "channel block (##CN)"),
    (b"##CC", "conversion block (##CC)"),
    (b"##SI", "source block (##SI)"),
    (b"##TX", "text block (##TX)"),
    (b"##MD", "comment block (##MD)"),
    (b"##DT", "data block (##DT)"),
    (b"##DV", "data block (##DV)"),
    (b"##DI", "invalidation data block (##DI)"),
    (b"##SD", "signal data block (##SD)"),
    (b"##DZ", "compressed data block (##DZ)"),
    (b"##DL", "data list block (##DL)"),
    (b"##LD", "data list block (##LD)"),
    (b"##HL", "list header block (##HL)"),
];

/// A block, its length checked against the file's.
#[derive(Debug, Clone, Copy)]
pub(super) struct Block<'a> {
    pub id: [u8; 4],
    pub at: u64,
    /// Where its data starts in the file.
    pub data_at: u64,
    links: &'a [u8],
    /// What follows the links.
    pub data: &'a [u8],
    /// Bytes that the length promises beyond the end of the file.
    pub missing: u64,
}

impl<'a> Block<'a> {
    /// The block at a link's target, whatever it is; it may end beyond the file (see `missing`).
    pub fn any(file: &'a [u8], at: u64) -> Result<Self, MdfError> {
        let damaged = |what: String| MdfError::Damaged { block: "block", at, what };
        let start = usize::try_from(at).ok().filter(|start| *start < file.len());
        let rest = start.and_then(|start| file.get(start..)).ok_or_else(|| {
            damaged(format!("lies beyond the end of the file, which has {} bytes", file.len()))
        })?;
        let header = rest.get(..HEADER_BYTES as usize);
        let header = header.ok_or_else(|| damaged("is cut off by the end of the file".to_owned()))?;
        let id = array(header, 0).unwrap_or_default();
        let Some(block) = title(&id) else {
            return Err(damaged(format!("starts with {}, which is no block's name", shown(&id))));
        };
        let damaged = |what: &str| MdfError::Damaged { block, at, what: what.to_owned() };
        let length = u64_at(header, 8).unwrap_or(0).max(HEADER_BYTES);
        let links_bytes = u64_at(header, 16).unwrap_or(0).checked_mul(LINK_BYTES);
        let data_from = links_bytes.and_then(|bytes| bytes.checked_add(HEADER_BYTES));
        let data_from = data_from.filter(|from| *from <= length);
        let data_from = data_from.ok_or_else(|| damaged("says that it has more links than bytes"))?;
        let here = usize::try_from(length).unwrap_or(usize::MAX).min(rest.len());
        let links = usize::try_from(data_from).ok().and_then(|from| rest.get(HEADER_BYTES as usize..from));
        let links = links.ok_or_else(|| damaged("is cut off by the end of the file"))?;
        let data = rest.get(data_from as usize..here).unwrap_or_default();
        Ok(Self { id, at, data_at: at + data_from, links, data, missing: length - here as u64 })
    }

    /// The block at a link's target, which must be whole and have this id.
    pub fn whole(file: &'a [u8], at: u64, id: &[u8; 4]) -> Result<Self, MdfError> {
        let block = Self::any(file, at)?;
        if block.id != *id {
            let found = title(&block.id).unwrap_or("block");
            let block = title(id).unwrap_or("block");
            return Err(MdfError::Damaged { block, at, what: format!("is a {found} instead") });
        }
        if block.missing > 0 {
            return Err(block.damaged(format!("lacks its last {} bytes: the file ends there", block.missing)));
        }
        Ok(block)
    }

    /// A link by its place; 0 where there is none.
    pub fn link(&self, index: usize) -> u64 {
        index.checked_mul(LINK_BYTES as usize).and_then(|at| u64_at(self.links, at)).unwrap_or(0)
    }

    pub fn links(&self) -> impl ExactSizeIterator<Item = u64> + use<'a> {
        self.links.chunks_exact(LINK_BYTES as usize).map(|link| u64_at(link, 0).unwrap_or(0))
    }

    pub fn u8(&self, at: usize) -> Result<u8, MdfError> {
        self.data.get(at).copied().ok_or_else(|| self.too_short())
    }

    pub fn u16(&self, at: usize) -> Result<u16, MdfError> {
        array(self.data, at).map(u16::from_le_bytes).ok_or_else(|| self.too_short())
    }

    pub fn u32(&self, at: usize) -> Result<u32, MdfError> {
        u32_at(self.data, at).ok_or_else(|| self.too_short())
    }

    pub fn u64(&self, at: usize) -> Result<u64, MdfError> {
        u64_at(self.data, at).ok_or_else(|| self.too_short())
    }

    pub fn f64(&self, at: usize) -> Result<f64, MdfError> {
        self.u64(at).map(f64::from_bits)
    }

    pub fn damaged(&self, what: String) -> MdfError {
        MdfError::Damaged { block: title(&self.id).unwrap_or("block"), at: self.at, what }
    }

    fn too_short(&self) -> MdfError {
        self.damaged(format!("has only {} bytes of data, too few for its kind", self.data.len()))
    }
}

/// The text of a text or comment block, of a comment its plain part; empty without a link.
pub(super) fn text(file: &[u8], at: u64) -> Result<String, MdfError> {
    if at == 0 {
        return Ok(String::new());
    }
    let block = Block::any(file, at)?;
    let comment = block.id == *b"##MD";
    let block = Block::whole(file, at, if comment { b"##MD" } else { b"##TX" })?;
    let end = block.data.iter().position(|byte| *byte == 0).unwrap_or(block.data.len());
    let text = String::from_utf8_lossy(&block.data[..end.min(LONGEST_TEXT_BYTES)]);
    let text = if comment { plain_part(&text) } else { text.into_owned() };
    Ok(text.trim().to_owned())
}

/// What stands in the `TX` element of a comment's XML.
fn plain_part(xml: &str) -> String {
    let inside = xml.find("<TX").and_then(|from| {
        let rest = &xml[from..];
        let rest = &rest[rest.find('>')? + 1..];
        rest.find("</TX>").map(|end| &rest[..end])
    });
    let escaped = [("&lt;", "<"), ("&gt;", ">"), ("&quot;", "\""), ("&apos;", "'"), ("&amp;", "&")];
    escaped.iter().fold(inside.unwrap_or_default().to_owned(), |text, (from, to)| text.replace(from, to))
}

fn title(id: &[u8; 4]) -> Option<&'static str> {
    // Other kinds (events, attachments, history) are linked but never looked into.
    TITLES.iter().find(|(known, _)| *known == id).map(|(_, title)| *title).or(
        if id.starts_with(b"##") && id[2..].iter().all(u8::is_ascii_uppercase) {
            Some("block")
        } else {
            None
        },
    )
}

/// Bytes as a person may recognise them: text where they are, else in hex.
pub(super) fn shown(bytes: &[u8]) -> String {
    if !bytes.is_empty() && bytes.iter().all(|byte| byte.is_ascii_graphic() || *byte == b' ') {
        format!("`{}`", String::from_utf8_lossy(bytes))
    } else {
        format!("the bytes {}", bytes.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(" "))
    }
}

pub(super) fn array<const N: usize>(bytes: &[u8], at: usize) -> Option<[u8; N]> {
    bytes.get(at..at.checked_add(N)?)?.try_into().ok()
}

pub(super) fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    array(bytes, at).map(u32::from_le_bytes)
}

pub(super) fn u64_at(bytes: &[u8], at: usize) -> Option<u64> {
    array(bytes, at).map(u64::from_le_bytes)
}
