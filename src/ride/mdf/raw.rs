//! A channel's bits in a record → a number, a text or bytes, before any conversion.

/// Integers wider than this are refused; with a bit offset they touch nine bytes.
const WIDEST_BITS: usize = 64;

/// How a channel is stored (`cn_type`).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Storage {
    /// In the record.
    Fixed,
    /// Elsewhere; the record has the offset.
    Variable,
    /// In the record, the times (or angles, ...) of the others.
    Master,
    /// Nowhere: the count of the record is converted to the time.
    VirtualMaster,
    /// In the record, in step with an attachment.
    Synchronised,
    /// In the record, at most so long.
    MaximumLength,
    /// Nowhere: the count of the record is converted to the value.
    Virtual,
    Unknown(u8),
}

impl Storage {
    pub fn of(code: u8) -> Self {
        match code {
            0 => Storage::Fixed,
            1 => Storage::Variable,
            2 => Storage::Master,
            3 => Storage::VirtualMaster,
            4 => Storage::Synchronised,
            5 => Storage::MaximumLength,
            6 => Storage::Virtual,
            other => Storage::Unknown(other),
        }
    }

    pub fn is_virtual(self) -> bool {
        matches!(self, Storage::VirtualMaster | Storage::Virtual)
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum ByteOrder {
    Little,
    Big,
}

/// What the bits mean (`cn_data_type`).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Encoding {
    Unsigned(ByteOrder),
    Signed(ByteOrder),
    Float(ByteOrder),
    Latin1,
    Utf8,
    Utf16(ByteOrder),
    Bytes,
    Unknown(u8),
}

impl Encoding {
    pub fn of(code: u8) -> Self {
        match code {
            0 => Encoding::Unsigned(ByteOrder::Little),
            1 => Encoding::Unsigned(ByteOrder::Big),
            2 => Encoding::Signed(ByteOrder::Little),
            3 => Encoding::Signed(ByteOrder::Big),
            4 => Encoding::Float(ByteOrder::Little),
            5 => Encoding::Float(ByteOrder::Big),
            6 => Encoding::Latin1,
            7 => Encoding::Utf8,
            8 => Encoding::Utf16(ByteOrder::Little),
            9 => Encoding::Utf16(ByteOrder::Big),
            10 => Encoding::Bytes,
            other => Encoding::Unknown(other),
        }
    }

    pub fn is_text(self) -> bool {
        matches!(self, Encoding::Latin1 | Encoding::Utf8 | Encoding::Utf16(_))
    }

    fn name(self) -> String {
        match self {
            Encoding::Unknown(11 | 12) => "pictures or other media".to_owned(),
            Encoding::Unknown(13 | 14) => "CANopen dates".to_owned(),
            Encoding::Unknown(15 | 16) => "complex numbers".to_owned(),
            other => format!("{other:?}"),
        }
    }
}

/// Where in the record a channel is, and when it is not valid.
#[derive(Debug, Clone)]
pub(super) struct Place {
    pub storage: Storage,
    pub encoding: Encoding,
    pub byte: usize,
    pub bit: usize,
    pub bits: usize,
    /// Counted from the start of the record's invalidation bytes.
    pub invalidation_bit: Option<usize>,
    pub never_valid: bool,
}

impl Place {
    /// Why no value can be read from such a place.
    pub fn unreadable(&self) -> Option<String> {
        if let Storage::Unknown(code) = self.storage {
            return Some(format!("is of type {code}, which is not known"));
        }
        if self.storage.is_virtual() {
            return None;
        }
        match self.encoding {
            Encoding::Unsigned(_) | Encoding::Signed(_) if self.bits > WIDEST_BITS => {
                Some(format!("has integers of {} bits; at most {WIDEST_BITS} can be read", self.bits))
            }
            Encoding::Float(_) if !matches!(self.bits, 16 | 32 | 64) || self.bit != 0 => {
                Some(format!("has floating-point numbers of {} bits at bit {}", self.bits, self.bit))
            }
            Encoding::Unknown(_) => Some(format!("holds {}, which cannot be read", self.encoding.name())),
            _ => None,
        }
    }

    /// Whether it has numbers, before conversion.
    pub fn is_number(&self) -> bool {
        use Encoding::{Float, Signed, Unsigned};
        let number = matches!(self.encoding, Unsigned(_) | Signed(_) | Float(_));
        self.storage.is_virtual() || number && self.storage != Storage::Variable
    }

    /// Whether its numbers, before conversion, are integers.
    pub fn is_integer(&self) -> bool {
        self.storage.is_virtual() || matches!(self.encoding, Encoding::Unsigned(_) | Encoding::Signed(_))
    }

    /// Of a channel of variable length: where its value is.
    pub fn offset(&self, record: &[u8]) -> Option<u64> {
        self.integer(record, ByteOrder::Little)
    }

    /// The number in a record; `None` where the place is no number's or lies outside the record.
    pub fn number(&self, record: &[u8]) -> Option<f64> {
        match self.encoding {
            Encoding::Unsigned(order) => self.integer(record, order).map(|value| value as f64),
            Encoding::Signed(order) => {
                let value = self.integer(record, order)?;
                let unused = u64::BITS.checked_sub(self.bits as u32).filter(|unused| *unused < u64::BITS);
                Some(unused.map_or(0, |unused| (value << unused) as i64 >> unused) as f64)
            }
            Encoding::Float(order) => {
                let bits = self.integer(record, order)?;
                Some(match self.bits {
                    16 => half(bits as u16),
                    32 => f64::from(f32::from_bits(bits as u32)),
                    _ => f64::from_bits(bits),
                })
            }
            _ => None,
        }
    }

    fn integer(&self, record: &[u8], order: ByteOrder) -> Option<u64> {
        if self.bits == 0 || self.bits > WIDEST_BITS {
            return (self.bits == 0).then_some(0);
        }
        let (first, shift) = (self.byte.checked_add(self.bit / 8)?, self.bit % 8);
        let bytes = record.get(first..first.checked_add((shift + self.bits).div_ceil(8))?)?;
        let joined = |joined: u128, byte: &u8| joined << 8 | u128::from(*byte);
        let all = match order {
            ByteOrder::Little => bytes.iter().rev().fold(0, joined),
            ByteOrder::Big => bytes.iter().fold(0, joined),
        };
        Some(((all >> shift) & ((1 << self.bits) - 1)) as u64)
    }

    /// The channel's whole bytes in a record.
    pub fn bytes<'r>(&self, record: &'r [u8]) -> Option<&'r [u8]> {
        record.get(self.byte..self.byte.checked_add(self.bits / 8)?)
    }

    /// Whether the record's invalidation bytes, which follow its data, let the value stand.
    pub fn valid(&self, invalidation: &[u8]) -> bool {
        let bit = |bit: usize| invalidation.get(bit / 8).is_some_and(|byte| byte >> (bit % 8) & 1 == 1);
        !self.never_valid && !self.invalidation_bit.is_some_and(bit)
    }
}

/// A text as it is encoded, to its first NUL.
pub(super) fn decoded(encoding: Encoding, bytes: &[u8]) -> String {
    let text: String = match encoding {
        Encoding::Utf16(order) => {
            let units = bytes.chunks_exact(2).map(|unit| match order {
                ByteOrder::Little => u16::from_le_bytes([unit[0], unit[1]]),
                ByteOrder::Big => u16::from_be_bytes([unit[0], unit[1]]),
            });
            char::decode_utf16(units.take_while(|unit| *unit != 0))
                .map(|character| character.unwrap_or(char::REPLACEMENT_CHARACTER))
                .collect()
        }
        _ => {
            let end = bytes.iter().position(|byte| *byte == 0).unwrap_or(bytes.len());
            match encoding {
                Encoding::Latin1 => bytes[..end].iter().map(|byte| char::from(*byte)).collect(),
                _ => String::from_utf8_lossy(&bytes[..end]).into_owned(),
            }
        }
    };
    text.trim_end().to_owned()
}

/// An IEEE 754 half-precision number: sign, 5 bits of exponent, 10 of fraction.
fn half(bits: u16) -> f64 {
    const FRACTION_BITS: u32 = 10;
    const BIAS: i32 = 15;
    let sign = if bits >> 15 == 1 { -1.0 } else { 1.0 };
    let exponent = i32::from(bits >> FRACTION_BITS & 0x1F);
    let fraction = f64::from(bits & 0x3FF) / f64::from(1 << FRACTION_BITS);
    match exponent {
        0 => sign * fraction * 2_f64.powi(1 - BIAS),
        0x1F if fraction == 0.0 => sign * f64::INFINITY,
        0x1F => f64::NAN,
        _ => sign * (1.0 + fraction) * 2_f64.powi(exponent - BIAS),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(code: u8, byte: usize, bit: usize, bits: usize) -> Place {
        let (storage, encoding) = (Storage::Fixed, Encoding::of(code));
        Place { storage, encoding, byte, bit, bits, invalidation_bit: None, never_valid: false }
    }

    /// Counted out by hand.
    #[test]
    fn integers_are_read_at_any_bit_and_width_in_both_byte_orders() {
        let record = [0b1011_0100, 0b0110_1101, 0xFF, 0x80];
        assert_eq!(place(0, 0, 2, 3).number(&record), Some(5.0));
        assert_eq!(place(0, 0, 4, 8).number(&record), Some(f64::from(0b1101_1011)));
        assert_eq!(place(1, 0, 4, 8).number(&record), Some(f64::from(0b0100_0110)));
        assert_eq!(place(2, 0, 2, 3).number(&record), Some(-3.0));
        assert_eq!(place(3, 2, 0, 16).number(&record), Some(-128.0));
        assert_eq!(place(2, 3, 7, 1).number(&record), Some(-1.0));
        assert_eq!(place(0, 0, 0, 0).number(&record), Some(0.0));
        let wide = [0xFE, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0x01];
        assert_eq!(place(2, 0, 1, 64).number(&wide), Some(-1.0));
    }

    #[test]
    fn nothing_is_read_beyond_the_record() {
        assert_eq!(place(0, 3, 1, 8).number(&[0; 4]), None);
        assert_eq!(place(4, usize::MAX, 0, 64).number(&[0; 4]), None);
        assert_eq!(place(10, 2, 0, 24).bytes(&[0; 4]), None);
    }

    /// Bit patterns of IEEE 754-2008, binary16.
    #[test]
    fn half_precision_numbers_are_read_with_their_edges() {
        let cases = [(0x3C00, 1.0), (0xC000, -2.0), (0x7BFF, 65504.0), (0x0001, 5.960464477539063e-8)];
        for (bits, value) in cases {
            assert_eq!(half(bits), value);
        }
        assert_eq!(half(0xFC00), f64::NEG_INFINITY);
        assert!(half(0x7E00).is_nan());
    }
}
