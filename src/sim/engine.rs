//! Carries bus operations out against the board, each at its time.

use super::board::SimBoard;
use super::clocking::Sck;
use super::store::Keeper;
use crate::bus::{Abilities, Drive, Line, LineLevels, Operation, Reply, Why};
use crate::link::{Hands, carry_out};
use crate::time::Moment;
use crate::units::{Hertz, Millivolts};
use std::time::Duration;

/// What the bridge needs to take an operation up.
const OPERATION_COST: Duration = Duration::from_micros(1);

/// The largest data block or reply of one operation.
const BLOCK_BYTES: u32 = 1024;

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

    /// Carries one operation out, not before `at`, and not before the last one has ended.
    pub(super) fn run_at(&mut self, at: Moment, operation: &Operation) -> Result<Reply, Why> {
        self.now = self.now.max(at).plus(OPERATION_COST);
        if matches!(operation, Operation::Transfer(_) | Operation::Poll { .. } | Operation::Pattern(_)) {
            self.mind_reset();
        }
        let reply = carry_out(self, operation);
        self.board.count_operation(self.now);
        self.keep_changes();
        reply
    }

    /// Hands what the silicon holds now to the keeper, or nobody.
    pub(super) fn keep_changes(&mut self) {
        match &mut self.keeper {
            Some(keeper) => keeper.keep(&mut self.board),
            None => self.board.chip.touched.clear(),
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

    /// SPI bytes come. With RESET released the pins belong to the firmware.
    pub(super) fn mind_reset(&mut self) {
        if !self.board.drives_reset_low() && self.board.chip.is_powered() {
            self.board.chip.violations.add(self.now, "SPI bytes were sent while RESET was released".into());
        }
    }
}

impl Hands for Engine {
    type Error = Why;

    fn abilities(&self) -> &Abilities {
        &self.abilities
    }

    fn now(&self) -> Moment {
        self.now
    }

    fn wait(&mut self, time: Duration) {
        self.now = self.now.plus(time);
    }

    fn drive(&mut self, line: Line, drive: Drive) -> Result<(), Why> {
        match line {
            Line::Reset => self.board.drive_reset(drive == Drive::Low, self.now),
            Line::Power => self.board.switch_power(drive != Drive::Low, self.now),
        }
        Ok(())
    }

    fn choose_clock(&mut self, limit: Hertz) -> Result<Hertz, Why> {
        self.sck = Sck::at_most(limit).ok_or(Why::NotSupported)?;
        Ok(self.sck.hertz())
    }

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

    fn clock_output(&mut self, clock: Option<Hertz>) -> Result<(), Why> {
        self.board.clock_output(clock);
        Ok(())
    }

    fn supply(&mut self) -> Option<Millivolts> {
        Some(self.board.seen_supply())
    }

    fn lines(&mut self) -> Result<LineLevels, Why> {
        Ok(self.board.lines())
    }
}
