//! The handle that tests and the `sim` commands hold.

use super::board::SimBoard;
use super::bricked::{BrickError, Bricked};
use super::contents::Contents;
use super::engine::Engine;
use super::fault::Fault;
use super::violations::Violations;
use crate::board::{Board, Chip};
use crate::frame::SILENCE;
use crate::time::{Clock, SharedClock, VirtualClock};
use std::cell::{Ref, RefCell, RefMut};
use std::rc::Rc;

/// A simulated board with its bridge. Clones are handles of the same board.
#[derive(Clone)]
pub struct Sim {
    engine: Rc<RefCell<Engine>>,
    clock: Rc<VirtualClock>,
}

impl Sim {
    /// A new board as shipped: blank, factory fuses. Every random choice comes from `seed`.
    pub fn new(board: &Board, chip: &Chip, seed: u64) -> Sim {
        Sim::over(SimBoard::new(board, chip, seed), &board.name)
    }

    /// A board that was in use and was bricked in these ways, one after another.
    ///
    /// # Errors
    /// [`BrickError::NotHere`] where this board or its chip cannot have one of them.
    pub fn bricked(board: &Board, chip: &Chip, seed: u64, kinds: &[&'static Bricked]) -> Result<Sim, BrickError> {
        Ok(Sim::over(SimBoard::bricked(board, chip, seed, kinds)?, &board.name))
    }

    pub(super) fn over(board: SimBoard, name: &str) -> Sim {
        Sim { engine: Rc::new(RefCell::new(Engine::new(board, format!("sim {name}")))), clock: Rc::new(VirtualClock::default()) }
    }

    pub(super) fn engine(&self) -> Ref<'_, Engine> {
        self.engine.borrow()
    }

    pub(super) fn engine_mut(&self) -> RefMut<'_, Engine> {
        self.engine.borrow_mut()
    }

    /// The clock that the board lives by.
    pub fn clock(&self) -> SharedClock {
        self.clock.clone()
    }

    /// The same clock, for wires that are made to the bridge of this board.
    pub fn virtual_clock(&self) -> Rc<VirtualClock> {
        Rc::clone(&self.clock)
    }

    /// What the silicon really holds, whatever faults lie over it. A self-timed write that has not ended is not in it.
    pub fn contents(&self) -> Contents {
        let mut engine = self.engine_mut();
        let now = engine.now.max(self.clock.now());
        engine.board.chip.settle(now);
        engine.board.chip.contents.clone()
    }

    /// Changes what the silicon holds, as if it had been so before. Sizes must stay as they are.
    pub fn edit(&self, change: impl FnOnce(&mut Contents)) {
        let mut engine = self.engine_mut();
        change(&mut engine.board.chip.contents);
        if !engine.board.chip.in_reset() {
            engine.board.chip.latch();
        }
    }

    /// What was done to the chip although its datasheet forbids it.
    pub fn violations(&self) -> Violations {
        self.engine().board.chip.violations.clone()
    }

    /// Whether the chip is held in reset: its firmware does not run.
    pub fn in_reset(&self) -> bool {
        self.engine().board.chip.in_reset()
    }

    /// Bus operations carried out since the board was made.
    pub fn operations(&self) -> u64 {
        self.engine().board.operations
    }

    /// The faults that the board has now.
    pub fn faults(&self) -> Vec<Fault> {
        let mut engine = self.engine_mut();
        engine.board.forget_mended();
        engine.board.faults.clone()
    }

    /// The host vanishes: after a while the bridge lets RESET, clock output and supply go.
    pub fn host_vanishes(&self) {
        let mut engine = self.engine_mut();
        let at = engine.now.max(self.clock.now()).plus(SILENCE);
        engine.release(at);
        self.clock.wait_until(at);
    }

    /// Brings the supply back after a power cut.
    pub fn restore_power(&self) {
        let mut engine = self.engine_mut();
        let now = engine.now.max(self.clock.now());
        engine.board.restore_power(now);
    }

    /// Damages the board.
    pub fn damage(&self, fault: Fault) {
        let mut engine = self.engine_mut();
        let now = engine.now.max(self.clock.now());
        engine.board.damage(fault, now);
        engine.abilities.pin_level = engine.board.pin_level();
    }

    /// Lifts every fault and brings the supply back. What `lost-clock` and `locked-chip` changed goes back to factory.
    pub fn repair(&self) {
        let mut engine = self.engine_mut();
        let now = engine.now.max(self.clock.now());
        engine.board.repair(now);
        engine.abilities.pin_level = engine.board.pin_level();
    }
}
