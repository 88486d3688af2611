//! Carries bus operations out against the board, each at its time.

use super::board::SimBoard;
use super::clocking::Sck;
use super::store::Keeper;
use crate::bus::{Abilities, Drive, Line, Operation, Pattern, Reply, Why};
use crate::frame::{self, Repetitions};
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
    /// Where changes are kept as they happen; a board without a place on disk has none.
    pub(super) keeper: Option<Keeper>,
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
        Engine { board, abilities, now: Moment::default(), sck: Sck::SLOWEST, keeper: None }
    }

    /// Carries a list out, not before `start`.
    pub(super) fn run_list(&mut self, list: &[Operation], start: Moment) -> ListResult {
        let mut replies = Vec::with_capacity(list.len());
        for operation in list {
            match self.run_at(start, operation) {
                Ok(reply) => replies.push(reply),
                Err(why) => return (replies, Some(why)),
            }
        }
        (replies, None)
    }

    /// Carries one operation out, not before `at`, and not before the last one has ended.
    pub(super) fn run_at(&mut self, at: Moment, operation: &Operation) -> Result<Reply, Why> {
        self.now = self.now.max(at).plus(OPERATION_COST);
        let reply = self.try_to(operation);
        self.board.count_operation(self.now);
        self.keep_changes();
        reply
    }

    /// Hands what the silicon holds now to the keeper, or nobody.
    fn keep_changes(&mut self) {
        match &mut self.keeper {
            Some(keeper) => keeper.keep(&mut self.board),
            None => self.board.chip.touched.clear(),
        }
    }

    fn try_to(&mut self, operation: &Operation) -> Result<Reply, Why> {
        if frame::check(operation).is_err() || frame::block_bytes(operation) > u64::from(BLOCK_BYTES) {
            return Err(Why::BadOperation);
        }
        match operation {
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
            Operation::ReadLines => Ok(Reply::Lines(self.board.lines())),
        }
    }

    /// Lets the chip go, not before `at`: the host has vanished.
    pub(super) fn release(&mut self, at: Moment) {
        self.now = self.now.max(at);
        self.board.drive_reset(false, self.now);
        self.board.clock_output(None);
        self.board.let_power_go(self.now);
        self.keep_changes();
    }

    fn drive(&mut self, line: Line, drive: Drive) -> Result<Reply, Why> {
        match (line, drive) {
            (Line::Reset, drive) => self.board.drive_reset(drive == Drive::Low, self.now),
            (Line::Power, drive) => self.board.switch_power(drive != Drive::Low, self.now),
        }
        Ok(Reply::Done)
    }

    fn choose_sck(&mut self, limit: Hertz) -> Result<Reply, Why> {
        self.sck = Sck::at_most(limit).ok_or(Why::NotSupported)?;
        Ok(Reply::Clock(self.sck.hertz()))
    }

    fn transfer(&mut self, bytes: &[u8]) -> Result<Reply, Why> {
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

    /// With RESET released the pins belong to the firmware.
    fn mind_reset(&mut self) {
        if !self.board.drives_reset_low() && self.board.chip.is_powered() {
            self.board.chip.violations.add(self.now, "SPI bytes were sent while RESET was released".into());
        }
    }

    fn poll(&mut self, send: &[u8], byte: u8, (mask, value): (u8, u8), limit: Duration) -> Result<Reply, Why> {
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
        let repetitions = Repetitions::of(pattern).map_err(|_| Why::BadOperation)?;
        self.mind_reset();
        let mut captured = repetitions.gather();
        for n in 0..repetitions.count() {
            let back = self.exchange(&repetitions.sent(n))?;
            if !repetitions.captured(&back).all(|byte| captured.push(byte)) {
                break;
            }
        }
        captured.finish()
    }
}
