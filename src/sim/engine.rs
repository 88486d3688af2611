//! Carries bus operations out against the board, each at its time.

use super::board::SimBoard;
use super::clocking::Sck;
use crate::bus::{Abilities, Drive, Line, Operation, Outcome, Pattern, Reply, SlotKind, Why};
use crate::time::Moment;
use crate::units::Hertz;
use std::time::Duration;

/// What the bridge needs to take an operation up.
const OPERATION_COST: Duration = Duration::from_micros(1);

/// The largest data block or reply of one operation.
const BLOCK_BYTES: u32 = 1024;

/// What a list gave: a reply for each operation that was carried out, and what stopped it.
pub(super) type ListResult = (Vec<Reply>, Option<Why>);

/// The bridge's work, without the frames.
pub(super) struct Engine {
    pub(super) board: SimBoard,
    pub(super) abilities: Abilities,
    /// When the last operation ended.
    pub(super) now: Moment,
    sck: Sck,
}

impl Engine {
    pub(super) fn new(board: SimBoard, name: String) -> Engine {
        let abilities = Abilities {
            name,
            spi_clock_min: Sck::SLOWEST.hertz(),
            spi_clock_max: Sck::FASTEST.hertz(),
            block_bytes: BLOCK_BYTES,
            pin_level: board.pin_level(),
            measures_supply: true,
            clock_output: true,
            switches_power: true,
            simulated: true,
        };
        Engine { board, abilities, now: Moment::default(), sck: Sck::SLOWEST }
    }

    /// Carries a list out, not before `start`.
    pub(super) fn run_list(&mut self, list: &[Operation], start: Moment) -> ListResult {
        self.now = self.now.max(start);
        let mut replies = Vec::with_capacity(list.len());
        for operation in list {
            match self.run(operation) {
                Ok(reply) => replies.push(reply),
                Err(why) => return (replies, Some(why)),
            }
        }
        (replies, None)
    }

    /// Carries one operation out.
    pub(super) fn run(&mut self, operation: &Operation) -> Result<Reply, Why> {
        self.now = self.now.plus(OPERATION_COST);
        let reply = match operation {
            Operation::Line { line, drive } => self.drive(*line, *drive),
            Operation::SpiClock(limit) => self.choose_sck(*limit),
            Operation::Transfer(bytes) => self.transfer(bytes),
            Operation::Pattern(pattern) => self.pattern(pattern),
            Operation::Poll { send, byte, mask, value, limit } => self.poll(send, *byte, (*mask, *value), *limit),
            Operation::Delay(time) => {
                self.now = self.now.plus(*time);
                Ok(Reply::Done)
            }
            Operation::ClockOutput(hz) => {
                self.board.clock_output(*hz);
                Ok(Reply::Done)
            }
            Operation::MeasureSupply => Ok(Reply::Supply(Some(self.board.supply()))),
        };
        self.board.count_operation(self.now);
        reply
    }

    /// Lets the chip go: the host has vanished.
    pub(super) fn release(&mut self) {
        self.board.chip.reset_high(self.now);
        self.board.clock_output(None);
        self.board.switch_power(true, self.now);
    }

    fn drive(&mut self, line: Line, drive: Drive) -> Result<Reply, Why> {
        match (line, drive) {
            (Line::Reset, Drive::Low) => self.board.chip.reset_low(self.now),
            (Line::Reset, Drive::High | Drive::Release) => self.board.chip.reset_high(self.now),
            (Line::Power, drive) => self.board.switch_power(drive != Drive::Low, self.now),
        }
        Ok(Reply::Done)
    }

    fn choose_sck(&mut self, limit: Hertz) -> Result<Reply, Why> {
        self.sck = Sck::at_most(limit).ok_or(Why::NotSupported)?;
        Ok(Reply::Clock(self.sck.hertz()))
    }

    fn transfer(&mut self, bytes: &[u8]) -> Result<Reply, Why> {
        self.check_block(bytes.len() as u64)?;
        self.mind_reset();
        self.exchange(bytes).map(Reply::Bytes)
    }

    /// Sends bytes back to back.
    fn exchange(&mut self, bytes: &[u8]) -> Result<Vec<u8>, Why> {
        let start = self.now;
        let mut back = Vec::with_capacity(bytes.len());
        for (index, byte) in (0..).zip(bytes) {
            let at = start.plus(self.sck.time(index));
            back.push(self.board.exchange(*byte, at, self.sck)?);
            self.now = start.plus(self.sck.time(index + 1));
        }
        Ok(back)
    }

    fn check_block(&self, bytes: u64) -> Result<(), Why> {
        if bytes <= u64::from(BLOCK_BYTES) { Ok(()) } else { Err(Why::BadOperation) }
    }

    /// With RESET released the pins belong to the firmware.
    fn mind_reset(&mut self) {
        if !self.board.chip.in_reset() && self.board.chip.is_powered() {
            self.board.chip.violations.add(self.now, "SPI bytes were sent while RESET was released".into());
        }
    }

    fn poll(&mut self, send: &[u8], byte: u8, (mask, value): (u8, u8), limit: Duration) -> Result<Reply, Why> {
        if usize::from(byte) >= send.len() {
            return Err(Why::BadOperation);
        }
        self.check_block(send.len() as u64)?;
        self.mind_reset();
        let start = self.now;
        loop {
            let back = self.exchange(send)?;
            let last = back.get(usize::from(byte)).copied().unwrap_or_default();
            if last & mask == value {
                return Ok(Reply::Bytes(back));
            }
            if self.now.since(start) >= limit {
                return Err(Why::PollTimedOut { last });
            }
        }
    }

    fn pattern(&mut self, pattern: &Pattern) -> Result<Reply, Why> {
        let mut captured = Captured::of(pattern)?;
        self.mind_reset();
        let mut data = pattern.data.iter();
        for step in 0..pattern.repeat {
            let back = self.exchange(&filled(pattern, step, &mut data))?;
            captured.take(pattern, &back)?;
        }
        captured.reply(pattern)
    }
}

/// The bits of a slot at the low end of a number as wide as the template.
fn place(pattern: &Pattern, bit: u8, width: u8) -> (u32, u128) {
    let below = pattern.template.len() as u32 * 8 - u32::from(bit) - u32::from(width);
    (below, (1 << width) - 1)
}

fn to_number(bytes: &[u8]) -> u128 {
    bytes.iter().fold(0, |number, byte| (number << 8) | u128::from(*byte))
}

/// The template of one repetition, its slots filled in.
fn filled<'a>(pattern: &Pattern, step: u32, data: &mut impl Iterator<Item = &'a u8>) -> Vec<u8> {
    let mut bits = to_number(&pattern.template);
    for slot in &pattern.slots {
        let value = match slot.kind {
            SlotKind::Counter => u128::from(pattern.first.wrapping_add(step)),
            SlotKind::Data => u128::from(data.next().copied().unwrap_or_default()),
            SlotKind::Capture => continue,
        };
        let (below, mask) = place(pattern, slot.bit, slot.width);
        bits = (bits & !(mask << below)) | ((value & mask) << below);
    }
    bits.to_be_bytes()[16 - pattern.template.len()..].to_vec()
}

/// What a pattern's captures become while it runs.
struct Captured {
    bytes: Vec<u8>,
    count: u32,
    sums: Vec<u32>,
}

impl Captured {
    /// Checks that the pattern makes sense and that data and reply fit.
    fn of(pattern: &Pattern) -> Result<Captured, Why> {
        let bits = pattern.template.len() * 8;
        let fits = |slot: &crate::bus::Slot| {
            let width_fits = if slot.kind == SlotKind::Counter { (1..=32).contains(&slot.width) } else { slot.width == 8 };
            width_fits && usize::from(slot.bit) + usize::from(slot.width) <= bits
        };
        let count = |kind| pattern.slots.iter().filter(|slot| slot.kind == kind).count() as u64 * u64::from(pattern.repeat);
        let (sent, captured) = (count(SlotKind::Data), count(SlotKind::Capture));
        let (data, reply) = match pattern.outcome {
            Outcome::Discard => (sent, 0),
            Outcome::Return => (sent, captured),
            Outcome::Compare if sent == 0 => (captured, 0),
            Outcome::Crc32 { every } if every > 0 => (sent, captured.div_ceil(u64::from(every)) * 4),
            _ => return Err(Why::BadOperation),
        };
        let shaped = (1..=16).contains(&pattern.template.len()) && pattern.slots.len() <= 8 && pattern.repeat > 0;
        let small = data.max(reply) <= u64::from(BLOCK_BYTES);
        if shaped && small && pattern.slots.iter().all(fits) && data == pattern.data.len() as u64 {
            Ok(Captured { bytes: Vec::new(), count: 0, sums: Vec::new() })
        } else {
            Err(Why::BadOperation)
        }
    }

    /// Takes the captures of one repetition.
    fn take(&mut self, pattern: &Pattern, back: &[u8]) -> Result<(), Why> {
        let bits = to_number(back);
        for slot in pattern.slots.iter().filter(|slot| slot.kind == SlotKind::Capture) {
            let (below, mask) = place(pattern, slot.bit, slot.width);
            let found = ((bits >> below) & mask) as u8;
            let index = self.count;
            self.count += 1;
            match pattern.outcome {
                Outcome::Discard => {}
                Outcome::Return => self.bytes.push(found),
                Outcome::Compare => match pattern.data.get(index as usize) {
                    Some(&expected) if expected != found => return Err(Why::Differs { index, expected, found }),
                    _ => {}
                },
                Outcome::Crc32 { every } => {
                    self.bytes.push(found);
                    if self.bytes.len() as u32 == every {
                        self.close_sum();
                    }
                }
            }
        }
        Ok(())
    }

    fn close_sum(&mut self) {
        self.sums.push(crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(&self.bytes));
        self.bytes.clear();
    }

    fn reply(mut self, pattern: &Pattern) -> Result<Reply, Why> {
        Ok(match pattern.outcome {
            Outcome::Discard | Outcome::Compare => Reply::Done,
            Outcome::Return => Reply::Bytes(self.bytes),
            Outcome::Crc32 { .. } => {
                if !self.bytes.is_empty() {
                    self.close_sum();
                }
                Reply::Crc32(self.sums)
            }
        })
    }
}
