//! The least that serial programming of an AVR part costs, by arithmetic from its datasheet.
//!
//! ```text
//! SCK        f/4 below 12 MHz, f/6 from 12 MHz, f being the chip's clock
//! i          32 / SCK, one instruction of four bytes
//! P, B, W    bytes of a page; bytes a second of the link; the longest that a page write times itself, 4.5 ms
//! page       P*i + i + W                              load a page, write it, wait
//! link       P / B                                    one byte on the wire for each byte of flash
//! write      link + (N - 1) * max(link, page) + page  N pages, each travelling while the one before is written
//! checksum   n*i                                      n bytes; what travels is a few bytes
//! ```
//!
//! Sources. Limits of SCK, four bytes an instruction, one instruction for each byte of flash and one to write a page: 8271 (ATmega328P),
//! 2549 (ATmega2560), section 'Serial Downloading'. W: 8271, same section; 2549 for the ATmega2560 from memory.

/// The longest that a flash page times itself, in seconds.
pub const FLASH_WRITE: f64 = 0.004_5;

/// Seconds of one instruction at this clock of the chip.
pub fn instruction(clock: f64) -> f64 {
    32.0 * if clock < 12e6 { 4.0 } else { 6.0 } / clock
}

/// Seconds of writing `bytes` of flash in pages of `page`, over a link of so many bytes a second.
pub fn write(bytes: u32, page: u32, clock: f64, link: u32) -> f64 {
    let chip = f64::from(page + 1) * instruction(clock) + FLASH_WRITE;
    let travel = f64::from(page) / f64::from(link);
    travel + f64::from(bytes / page - 1) * chip.max(travel) + chip
}

/// Seconds of a checksum over `bytes` of flash.
pub fn checksum(bytes: u32, clock: f64) -> f64 {
    f64::from(bytes) * instruction(clock)
}
