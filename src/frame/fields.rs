//! The fields that messages are made of.

use super::operation::BadOperation;

/// Why the body of an undamaged frame makes no sense.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Malformed {
    #[error("kind 0x{0:02X} has no meaning here")]
    Kind(u8),
    #[error("the frame ends inside its {0}")]
    Short(&'static str),
    #[error("{0} bytes follow the last field")]
    Excess(usize),
    #[error("{field} is {value}, which has no meaning")]
    Value { field: &'static str, value: u32 },
    #[error(transparent)]
    Bad(#[from] BadOperation),
    #[error("operation {index}: {why}")]
    Operation { index: usize, why: Box<Malformed> },
}

/// Takes fields from the front of a body.
pub(super) struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    pub fn new(body: &'a [u8]) -> Reader<'a> {
        Reader(body)
    }

    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    pub fn bytes(&mut self, count: usize, field: &'static str) -> Result<&'a [u8], Malformed> {
        let (taken, rest) = self.0.split_at_checked(count).ok_or(Malformed::Short(field))?;
        self.0 = rest;
        Ok(taken)
    }

    pub fn array<const N: usize>(&mut self, field: &'static str) -> Result<[u8; N], Malformed> {
        let (taken, rest) = self.0.split_first_chunk::<N>().ok_or(Malformed::Short(field))?;
        self.0 = rest;
        Ok(*taken)
    }

    pub fn byte(&mut self, field: &'static str) -> Result<u8, Malformed> {
        self.array(field).map(|[byte]| byte)
    }

    /// A number: 7 bits a byte, the lowest first; the top bit says that another byte follows. No more bytes than it needs.
    pub fn number(&mut self, field: &'static str) -> Result<u32, Malformed> {
        let mut value: u64 = 0;
        for shift in [0, 7, 14, 21, 28] {
            let byte = self.byte(field)?;
            value |= u64::from(byte & 0x7F) << shift;
            if byte & 0x80 == 0 {
                let needless = byte == 0 && shift > 0;
                return match u32::try_from(value) {
                    Ok(value) if !needless => Ok(value),
                    _ => Err(Malformed::Value { field, value: u32::from(byte) }),
                };
            }
        }
        Err(Malformed::Value { field, value: 0x80 })
    }

    /// A number that says how many bytes follow, and these.
    pub fn block(&mut self, field: &'static str) -> Result<&'a [u8], Malformed> {
        let count = self.number(field)?;
        self.bytes(usize::try_from(count).unwrap_or(usize::MAX), field)
    }

    pub fn end(&self) -> Result<(), Malformed> {
        match self.0.len() {
            0 => Ok(()),
            excess => Err(Malformed::Excess(excess)),
        }
    }
}

/// Appends what [`Reader::number`] reads.
pub(super) fn put_number(into: &mut Vec<u8>, mut value: u32) {
    while value >= 0x80 {
        into.push(value.to_le_bytes()[0] | 0x80);
        value >>= 7;
    }
    into.push(value.to_le_bytes()[0]);
}

/// Appends what [`Reader::block`] reads. What is longer than 4 GiB never gets here: no frame holds it.
pub(super) fn put_block(into: &mut Vec<u8>, bytes: &[u8]) {
    put_number(into, u32::try_from(bytes.len()).unwrap_or(u32::MAX));
    into.extend_from_slice(bytes);
}

/// How many bytes [`put_number`] appends.
pub(super) fn number_bytes(value: usize) -> usize {
    let bits = (usize::BITS - value.leading_zeros()).max(1);
    bits.div_ceil(7) as usize
}
