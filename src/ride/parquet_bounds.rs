//! What a Parquet file announces, before its reader believes it: whether the lists of its
//! description are as long as they say, and what the pages of a column will hold.
//!
//! Source: the Apache Parquet format (`parquet.thrift`:
//! `PageHeader`) in the compact protocol of Apache Thrift, both as the crates polars-parquet-format
//! 0.1.0 and polars-parquet 0.55.2 write and read them.

use polars::prelude::FileMetadata;

/// Values in all columns together: seven hours of fifty channels at a hundred rows a second.
const MOST_VALUES: u64 = 1 << 27;
/// Bytes of all pages in memory; as much as a packed text log may take.
const MOST_BYTES: u64 = super::compressed::LARGEST_UNPACKED;

/// Looks through the description at the file's end, which the reader would believe: no list in it
/// may be longer than what is there.
///
/// # Errors
/// What is wrong, in words.
pub(super) fn check_description(file: &[u8]) -> Result<(), &'static str> {
    const MARK_BYTES: usize = 4;
    const LENGTH_BYTES: usize = size_of::<u32>();
    let broken = "its description is damaged";
    let end = file.len().checked_sub(MARK_BYTES + LENGTH_BYTES).ok_or(broken)?;
    let length = file[end..].first_chunk().map_or(0, |bytes| u32::from_le_bytes(*bytes) as usize);
    let start = end.checked_sub(length).filter(|start| *start >= MARK_BYTES).ok_or(broken)?;
    Thrift { rest: &file[start..end] }.skip(STRUCT, DEEPEST).ok_or(broken)
}

/// Looks through the pages: they lie in the file, and their values and bytes can be held.
///
/// # Errors
/// What is wrong, in words.
pub(super) fn check_pages(file: &[u8], metadata: &FileMetadata) -> Result<(), &'static str> {
    let (mut values_left, mut bytes_left) = (MOST_VALUES, MOST_BYTES);
    for group in &metadata.row_groups {
        let rows = group.num_rows() as u64;
        for column in group.parquet_columns() {
            let start = column.dictionary_page_offset().unwrap_or(column.data_page_offset());
            let place = usize::try_from(start).ok().zip(usize::try_from(column.compressed_size()).ok());
            let chunk = place.and_then(|(start, length)| file.get(start..)?.get(..length));
            let chunk = chunk.ok_or("a column lies beyond the end of the file")?;
            let announced =
                u64::try_from(column.num_values()).map_err(|_| "a column has a negative length")?;
            let too_many = "it holds more than 134 million values: no ride is that long";
            values_left = values_left.checked_sub(announced.max(rows)).ok_or(too_many)?;
            let (mut pages, mut met) = (pages(chunk), 0);
            // What lies behind the last value is not read.
            while met < announced {
                let page = pages.next().flatten().ok_or("a page of a column is damaged")?;
                if page.values > announced - met {
                    return Err("the pages of a column hold more values than it");
                }
                // Their lengths stand in the data, where the reader believes them too.
                if matches!(page.encoding, Some(DELTA_LENGTHS | DELTA_TEXTS)) {
                    return Err(
                        "a column is in a delta encoding of texts, which is not read: write it plain",
                    );
                }
                met += if page.is_dictionary { 0 } else { page.values };
                let too_large = "it holds more than 1 GiB unpacked: no ride is that long";
                bytes_left = bytes_left.checked_sub(page.unpacked_bytes).ok_or(too_large)?;
            }
        }
    }
    Ok(())
}

/// What a page announces.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
struct Page {
    /// Bytes in memory.
    unpacked_bytes: u64,
    /// Values: the column's own, or those of its dictionary.
    values: u64,
    is_dictionary: bool,
    encoding: Option<u64>,
}

/// Walks through the pages of a column chunk. The last item is `None` where the chunk does not
/// end with a whole page.
fn pages(mut chunk: &[u8]) -> impl Iterator<Item = Option<Page>> {
    std::iter::from_fn(move || {
        if chunk.is_empty() {
            return None;
        }
        let page = next_page(&mut chunk);
        if page.is_none() {
            chunk = &[];
        }
        Some(page)
    })
}

fn next_page(chunk: &mut &[u8]) -> Option<Page> {
    let mut header = Thrift { rest: chunk };
    let (mut page, mut packed_bytes) = (Page::default(), None);
    let mut last = 0;
    while let Some((field, kind)) = header.field(&mut last)? {
        match (field, kind) {
            (UNPACKED_BYTES, INT_32) => page.unpacked_bytes = header.size()?,
            (PACKED_BYTES, INT_32) => packed_bytes = Some(header.size()?),
            (DATA | DICTIONARY | DATA_V2, STRUCT) => {
                page.is_dictionary = field == DICTIONARY;
                let encoding = if field == DATA_V2 { ENCODING_V2 } else { ENCODING };
                (page.values, page.encoding) = header.values(encoding)?;
            }
            _ => header.skip(kind, DEEPEST)?,
        }
    }
    *chunk = header.rest.get(usize::try_from(packed_bytes?).ok()?..)?;
    Some(page)
}

// Fields of `PageHeader`.
const UNPACKED_BYTES: i64 = 2;
const PACKED_BYTES: i64 = 3;
const DATA: i64 = 5;
const DICTIONARY: i64 = 7;
const DATA_V2: i64 = 8;
/// The fields `num_values` and `encoding` of those three.
const VALUES: i64 = 1;
const ENCODING: i64 = 2;
const ENCODING_V2: i64 = 4;
/// The encodings `DELTA_LENGTH_BYTE_ARRAY` and `DELTA_BYTE_ARRAY`.
const DELTA_LENGTHS: u64 = 6;
const DELTA_TEXTS: u64 = 7;

// Kinds of the compact protocol.
const STOP: u8 = 0;
const TRUE: u8 = 1;
const FALSE: u8 = 2;
const BYTE: u8 = 3;
const INT_16: u8 = 4;
const INT_32: u8 = 5;
const INT_64: u8 = 6;
const DOUBLE: u8 = 7;
const BINARY: u8 = 8;
const LIST: u8 = 9;
const SET: u8 = 10;
const MAP: u8 = 11;
const STRUCT: u8 = 12;

/// The deepest of a file's own lists and structs lie eight deep.
const DEEPEST: usize = 16;

/// Bytes in the compact protocol; `None` where they are not.
struct Thrift<'b> {
    rest: &'b [u8],
}

impl Thrift<'_> {
    fn byte(&mut self) -> Option<u8> {
        let (first, rest) = self.rest.split_first()?;
        self.rest = rest;
        Some(*first)
    }

    /// A number of seven bits a byte, the lowest first.
    fn varint(&mut self) -> Option<u64> {
        const MOST_BYTES: u32 = 10;
        let mut number = 0;
        for i in 0..MOST_BYTES {
            let byte = self.byte()?;
            number |= u64::from(byte & 0x7F).checked_shl(7 * i)?;
            if byte & 0x80 == 0 {
                return Some(number);
            }
        }
        None
    }

    /// A whole number with its sign in the lowest bit.
    fn int(&mut self) -> Option<i64> {
        let zigzag = self.varint()?;
        Some((zigzag >> 1) as i64 ^ -((zigzag & 1) as i64))
    }

    /// A number that cannot be negative.
    fn size(&mut self) -> Option<u64> {
        self.int()?.try_into().ok()
    }

    /// The next field of a struct and its kind; `Some(None)` at its end.
    fn field(&mut self, last: &mut i64) -> Option<Option<(i64, u8)>> {
        let head = self.byte()?;
        let (step, kind) = (head >> 4, head & 0x0F);
        if kind == STOP {
            return Some(None);
        }
        *last = if step == 0 { self.int()? } else { last.checked_add(i64::from(step))? };
        Some(Some((*last, kind)))
    }

    /// How many values there are and how they are encoded.
    fn values(&mut self, encoding_field: i64) -> Option<(u64, Option<u64>)> {
        let (mut values, mut encoding, mut last) = (None, None, 0);
        while let Some((field, kind)) = self.field(&mut last)? {
            match (field, kind) {
                (VALUES, INT_32) => values = Some(self.size()?),
                (field, INT_32) if field == encoding_field => encoding = Some(self.size()?),
                _ => self.skip(kind, DEEPEST)?,
            }
        }
        Some((values?, encoding))
    }

    fn skip(&mut self, kind: u8, deep: usize) -> Option<()> {
        let deep = deep.checked_sub(1)?;
        match kind {
            TRUE | FALSE => {}
            BYTE => {
                self.byte()?;
            }
            INT_16 | INT_32 | INT_64 => {
                self.varint()?;
            }
            DOUBLE => self.rest = self.rest.get(size_of::<f64>()..)?,
            BINARY => {
                let length = usize::try_from(self.varint()?).ok()?;
                self.rest = self.rest.get(length..)?;
            }
            LIST | SET => {
                const LONG: u8 = 15;
                let head = self.byte()?;
                let length = if head >> 4 == LONG { self.varint()? } else { u64::from(head >> 4) };
                self.skip_items(length, &[head & 0x0F], deep)?;
            }
            MAP => {
                let length = self.varint()?;
                let kinds = if length == 0 { 0 } else { self.byte()? };
                self.skip_items(length, &[kinds >> 4, kinds & 0x0F], deep)?;
            }
            STRUCT => {
                let mut last = 0;
                while let Some((_, kind)) = self.field(&mut last)? {
                    self.skip(kind, deep)?;
                }
            }
            _ => return None,
        }
        Some(())
    }

    /// Items of a list, or of a map with their keys.
    fn skip_items(&mut self, length: u64, kinds: &[u8], deep: usize) -> Option<()> {
        for _ in 0..length {
            for kind in kinds {
                match *kind {
                    // Inside a list a truth value takes a byte.
                    TRUE | FALSE => self.skip(BYTE, deep)?,
                    kind => self.skip(kind, deep)?,
                }
            }
        }
        Some(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A page header: 9 bytes unpacked, 3 packed, 2 values, and a list that is passed over.
    const HEADER: [u8; 14] = [0x15, 0, 0x15, 18, 0x15, 6, 0x2C, 0x15, 4, 0x29, 0x13, 1, 0, 0];

    #[test]
    fn pages_are_found_one_behind_the_other() {
        let one = [&HEADER[..], b"abc"].concat();
        let two = [&one[..], &one[..]].concat();
        let page = Page { unpacked_bytes: 9, values: 2, is_dictionary: false, encoding: None };
        assert_eq!(pages(&two).collect::<Vec<_>>(), [Some(page); 2]);
        assert_eq!(pages(&two[..two.len() - 1]).collect::<Vec<_>>(), [Some(page), None]);
        assert_eq!(
            pages(&[0x15, 0, 0x15, 0, 0x15, 0, 0x2C, 0x15, 4, 0x15, 14, 0, 0])
                .next()
                .flatten()
                .and_then(|p| p.encoding),
            Some(DELTA_TEXTS)
        );
        let mut endless = one;
        endless[10] = 0xFC;
        assert_eq!(pages(&endless).collect::<Vec<_>>(), [None]);
    }

    #[test]
    fn a_description_with_a_list_longer_than_itself_is_refused() {
        let file = |description: &[u8]| {
            let length = (description.len() as u32).to_le_bytes();
            [b"PAR1", description, &length, b"PAR1"].concat()
        };
        assert_eq!(check_description(&file(&[0x19, 0x25, 1, 2, 0])), Ok(()));
        assert!(check_description(&file(&[0x19, 0xF5, 0xFF, 0xFF, 0xFF, 0x7F, 0])).is_err());
        assert!(check_description(b"PAR1\xFF\0\0\0PAR1").is_err());
    }
}
