//! Where fields and lines end, 64 bytes at a time.

/// Bytes that are looked at together: one bit of a mask each.
const BLOCK: usize = 64;

/// Bytes that are marked ahead of the lines given out: few enough that text and
/// marks stay in the nearest cache.
const AHEAD: usize = 128 * BLOCK;

/// The field and line ends of a text, found a piece ahead.
#[derive(Debug)]
pub(super) struct Marks<'t> {
    text: &'t [u8],
    delimiter: u8,
    /// The text before this is marked.
    marked: usize,
    /// Where a field ends, at a delimiter or a line end; the first `len` count.
    at: Vec<usize>,
    len: usize,
    /// Which of `at` is the first of the next line.
    first: usize,
    /// Which of `at` are line ends, and the one that is met next.
    ends: Vec<usize>,
    end: usize,
}

impl<'t> Marks<'t> {
    pub fn new(text: &'t [u8], delimiter: u8) -> Self {
        Self { text, delimiter, marked: 0, at: Vec::new(), len: 0, first: 0, ends: Vec::new(), end: 0 }
    }

    /// Where the fields of the next line end, the last one at its line end.
    /// `None` when no line end is left.
    #[inline]
    pub fn next_line(&mut self) -> Option<&[usize]> {
        if self.end == self.ends.len() && !self.mark_ahead() {
            return None;
        }
        let (first, end) = (self.first, self.ends[self.end]);
        self.first = end + 1;
        self.end += 1;
        Some(&self.at[first..=end])
    }

    /// Marks on until a line end is met; whether one was.
    #[inline(never)]
    fn mark_ahead(&mut self) -> bool {
        self.at.copy_within(self.first..self.len, 0);
        self.len -= self.first;
        self.first = 0;
        self.ends.clear();
        self.end = 0;
        while self.ends.is_empty() && self.marked < self.text.len() {
            let piece = &self.text[self.marked..];
            let piece = &piece[..piece.len().min(AHEAD)];
            // Room for every byte to be a mark, and for a whole block of marks behind the last.
            self.at.resize(self.at.len().max(self.len + piece.len() + BLOCK), 0);
            self.mark(piece);
            self.marked += piece.len();
        }
        !self.ends.is_empty()
    }

    fn mark(&mut self, piece: &[u8]) {
        let (blocks, rest) = piece.as_chunks::<BLOCK>();
        let mut from = self.marked;
        for block in blocks {
            let masks = masks(block, self.delimiter);
            self.note(from, masks);
            from += BLOCK;
        }
        let mut last = [0; BLOCK];
        last[..rest.len()].copy_from_slice(rest);
        let (delimiters, ends) = masks(&last, self.delimiter);
        let there = (1 << rest.len()) - 1;
        self.note(from, (delimiters & there, ends & there));
    }

    #[inline]
    fn note(&mut self, from: usize, (delimiters, ends): (u64, u64)) {
        let mut marks = delimiters | ends;
        let mut ends = ends;
        while ends != 0 {
            let before = (ends & ends.wrapping_neg()) - 1;
            self.ends.push(self.len + (marks & before).count_ones() as usize);
            ends &= ends - 1;
        }
        let count = marks.count_ones() as usize;
        let room = &mut self.at[self.len..self.len + BLOCK];
        // A fixed number of marks at a time, some of them for nothing, costs less
        // than asking after each whether it was the last.
        const AT_A_TIME: usize = 8;
        for eight in room.chunks_exact_mut(AT_A_TIME).take(count.div_ceil(AT_A_TIME)) {
            for at in eight {
                *at = from + marks.trailing_zeros() as usize;
                marks &= marks.wrapping_sub(1);
            }
        }
        self.len += count;
    }
}

/// Where a block holds delimiters, and where the bytes that end a line.
#[inline]
fn masks(block: &[u8; BLOCK], delimiter: u8) -> (u64, u64) {
    // Every x86-64 has SSE2, and 16 bytes at a time halve the time of this module.
    // SAFETY: the one demand of the call is that the processor has SSE2.
    #[cfg(all(target_arch = "x86_64", target_feature = "sse2"))]
    return unsafe { masks_sse2(block, delimiter) };
    #[cfg(not(all(target_arch = "x86_64", target_feature = "sse2")))]
    return masks_portable(block, delimiter);
}

#[cfg(all(target_arch = "x86_64", target_feature = "sse2"))]
#[inline]
#[target_feature(enable = "sse2")]
fn masks_sse2(block: &[u8; BLOCK], delimiter: u8) -> (u64, u64) {
    use std::arch::x86_64::{_mm_cmpeq_epi8, _mm_movemask_epi8, _mm_or_si128, _mm_set_epi64x, _mm_set1_epi8};
    let every = |byte: u8| _mm_set1_epi8(byte.cast_signed());
    let (delimiter, line_feed, carriage_return) = (every(delimiter), every(b'\n'), every(b'\r'));
    let mut masks = (0, 0);
    let (quarters, _) = block.as_chunks::<16>();
    for (i, quarter) in quarters.iter().enumerate() {
        let (halves, _) = quarter.as_chunks::<8>();
        let bytes = _mm_set_epi64x(i64::from_le_bytes(halves[1]), i64::from_le_bytes(halves[0]));
        let mask = |hit| u64::from(_mm_movemask_epi8(hit).cast_unsigned()) << (16 * i);
        let ends = _mm_or_si128(_mm_cmpeq_epi8(bytes, line_feed), _mm_cmpeq_epi8(bytes, carriage_return));
        masks.0 |= mask(_mm_cmpeq_epi8(bytes, delimiter));
        masks.1 |= mask(ends);
    }
    masks
}

/// The same by plain arithmetic, eight bytes at a time.
#[cfg(any(test, not(all(target_arch = "x86_64", target_feature = "sse2"))))]
fn masks_portable(block: &[u8; BLOCK], delimiter: u8) -> (u64, u64) {
    const ONES: u64 = 0x0101_0101_0101_0101;
    const LOW: u64 = 0x7f7f_7f7f_7f7f_7f7f;
    // The highest bit of each byte that equals the wanted one (H. S. Warren,
    // Hacker's Delight, 2nd ed. 2012, section 6-1, from memory).
    let equal = |bytes: u64, byte: u8| {
        let differs = bytes ^ (ONES * u64::from(byte));
        !(((differs & LOW) + LOW) | differs | LOW)
    };
    // Gathers those bits in the highest byte, the first byte's lowest.
    const GATHER: u64 = 0x0002_0408_1020_4081;
    let gather = |hits: u64| (hits >> 7).wrapping_mul(GATHER << 7) >> 56;
    let mut masks = (0, 0);
    let (eights, _) = block.as_chunks::<8>();
    for (i, eight) in eights.iter().enumerate() {
        let bytes = u64::from_le_bytes(*eight);
        masks.0 |= gather(equal(bytes, delimiter)) << (8 * i);
        masks.1 |= gather(equal(bytes, b'\n') | equal(bytes, b'\r')) << (8 * i);
    }
    masks
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn both_ways_find_the_same(
            bytes in prop::collection::vec(prop_oneof![any::<u8>(), prop::sample::select(&b",;\n\r\t\x8d\x2d"[..])], BLOCK),
            delimiter in any::<u8>(),
        ) {
            let block: &[u8; BLOCK] = bytes.as_slice().try_into().expect("a block");
            let naive = |wanted: &dyn Fn(u8) -> bool| {
                (0..BLOCK).fold(0u64, |mask, i| mask | (u64::from(wanted(bytes[i])) << i))
            };
            for delimiter in [delimiter, b',', b'\t'] {
                let wanted = (naive(&|b| b == delimiter), naive(&|b| b == b'\n' || b == b'\r'));
                prop_assert_eq!(masks(block, delimiter), wanted);
                prop_assert_eq!(masks_portable(block, delimiter), wanted);
            }
        }
    }
}
