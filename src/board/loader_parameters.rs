//! The block of parameters by which the serial loader knows its board: the last 64 bytes of the flash. The other half of this
//! agreement is `struct parameters` in boards/loaders/serial.c.

/// Its size in bytes.
pub(super) const BLOCK: usize = 64;

const MAGIC: &[u8; 4] = b"shoe";
const VERSION: u8 = 1;
/// U2X in UCSRnA.
const DOUBLE_SPEED: u8 = 0x02;
const GREETING_AT: usize = 27;
/// The greeting ends in a zero.
const GREETING: usize = BLOCK - GREETING_AT - 1;

/// What the loader knows of its board. Numbers of two bytes stand low byte first; ticks are those of Timer1, the clock divided by
/// 1024.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LoaderParameters {
    pub double_speed: bool,
    /// Data-space address of the USART's first register, and of its UBRRH.
    pub usart: u16,
    pub divisor_high: u16,
    pub divisor: u16,
    /// Blocks of 128 bytes that the application may take, up to the loader.
    pub room: u16,
    /// Ticks that the loader waits for a first block after each question.
    pub wait: u16,
    /// Ticks of a second, of half a second, and of a line that counts as quiet.
    pub second: u16,
    pub half: u16,
    pub quiet: u16,
    /// Questions before the application starts.
    pub prompts: u8,
    pub hold: Option<LoaderHold>,
    /// At most 36 bytes; what is longer is cut.
    pub greeting: String,
}

/// The pin that holds the loader.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LoaderHold {
    /// Data-space address of its PIN register; PORT is two further.
    pub register: u16,
    /// 0 to 7.
    pub bit: u8,
    /// A low level holds it, and the pull-up is switched on; else a high one.
    pub low: bool,
}

impl LoaderParameters {
    /// The block as it stands in the flash.
    pub fn encode(&self) -> [u8; BLOCK] {
        let (register, mask, pull) = self.hold.map_or((0, 0, 0), |hold| {
            let mask = 1u8.checked_shl(hold.bit.into()).unwrap_or(0);
            (hold.register, mask, if hold.low { mask } else { 0 })
        });
        let words = [self.usart, self.divisor_high, self.divisor, self.room, self.wait, self.second, self.half, self.quiet];
        let greeting = self.greeting.bytes().take(GREETING);
        let bytes = MAGIC.iter().copied();
        let bytes = bytes.chain([VERSION, if self.double_speed { DOUBLE_SPEED } else { 0 }]);
        let bytes = bytes.chain(words.into_iter().flat_map(u16::to_le_bytes)).chain([self.prompts, mask, pull]);
        let bytes = bytes.chain(register.to_le_bytes()).chain(greeting).chain(std::iter::repeat(0));
        let mut block = [0; BLOCK];
        block.iter_mut().zip(bytes).for_each(|(place, byte)| *place = byte);
        block
    }

    /// What stands in a block; `None` where it is none, or one that another version of the loader has.
    pub fn decode(block: &[u8; BLOCK]) -> Option<LoaderParameters> {
        let (head, greeting) = block.split_at(GREETING_AT);
        let [m0, m1, m2, m3, version, speed, words @ .., prompts, mask, pull, low, high] = head else { return None };
        if [*m0, *m1, *m2, *m3] != *MAGIC || *version != VERSION || *speed & !DOUBLE_SPEED != 0 {
            return None;
        }
        let mut words = words.chunks_exact(2).map(|pair| u16::from_le_bytes([pair[0], pair[1]]));
        let mut next = || words.next();
        let text = greeting.split(|byte| *byte == 0).next()?;
        let hold = match mask.count_ones() {
            0 => None,
            1 if [0, *mask].contains(pull) => {
                Some(LoaderHold { register: u16::from_le_bytes([*low, *high]), bit: mask.trailing_zeros() as u8, low: pull == mask })
            }
            _ => return None,
        };
        Some(LoaderParameters {
            double_speed: *speed != 0,
            usart: next()?,
            divisor_high: next()?,
            divisor: next()?,
            room: next()?,
            wait: next()?,
            second: next()?,
            half: next()?,
            quiet: next()?,
            prompts: *prompts,
            hold,
            greeting: String::from_utf8(text.to_vec()).ok()?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Written by hand from the table of serial.c's `struct parameters`, for the vent board with a button at PD2.
    const VECTOR: [u8; BLOCK] = [
        0x73, 0x68, 0x6F, 0x65, 0x01, 0x02, // shoe, version, U2X
        0xC0, 0x00, 0xC5, 0x00, 0x33, 0x00, // UCSR0A, UBRR0H, 51
        0xF0, 0x03, // 1008 blocks
        0x84, 0x1E, 0x09, 0x3D, 0x84, 0x1E, 0x0D, 0x03, // ticks: 7812, 15625, 7812, 781
        0x04, 0x04, 0x04, 0x29, 0x00, // questions, PD2, low, PIND
        0x66, 0x61, 0x72, 0x72, 0x69, 0x65, 0x72, 0x20, 0x76, 0x65, 0x6E, 0x74, 0x0D, 0x0A, // farrier vent
        0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    ];

    fn parameters() -> LoaderParameters {
        LoaderParameters {
            double_speed: true,
            usart: 0xC0,
            divisor_high: 0xC5,
            divisor: 51,
            room: 1008,
            wait: 7812,
            second: 15_625,
            half: 7812,
            quiet: 781,
            prompts: 4,
            hold: Some(LoaderHold { register: 0x29, bit: 2, low: true }),
            greeting: "farrier vent\r\n".into(),
        }
    }

    #[test]
    fn a_block_is_what_was_written_by_hand() {
        assert_eq!(parameters().encode(), VECTOR);
        assert_eq!(LoaderParameters::decode(&VECTOR), Some(parameters()));
    }

    #[test]
    fn a_pin_that_is_high_and_no_pin_at_all() {
        for hold in [None, Some(LoaderHold { register: 0x106, bit: 7, low: false })] {
            let wanted = LoaderParameters { hold, double_speed: false, ..parameters() };
            assert_eq!(LoaderParameters::decode(&wanted.encode()), Some(wanted));
        }
    }

    #[test]
    fn a_long_greeting_is_cut_and_still_ends() {
        let block = LoaderParameters { greeting: "x".repeat(80), ..parameters() }.encode();
        assert_eq!(block[GREETING_AT..], [[b'x'; 36].as_slice(), &[0]].concat());
    }

    #[test]
    fn what_is_no_block_is_none() {
        for (at, byte) in [(0, 0x53), (4, 2), (5, 4), (23, 3), (24, 1)] {
            let mut block = VECTOR;
            block[at] = byte;
            assert_eq!(LoaderParameters::decode(&block), None, "{at}");
        }
        assert_eq!(LoaderParameters::decode(&[0xFF; BLOCK]), None);
    }
}
