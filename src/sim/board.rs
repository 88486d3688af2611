//! The simulated board: chip, supply, lines, and the faults that lie over them.

use super::bricked::{BrickError, Bricked, Patient};
use super::chip::{SimChip, UNDRIVEN};
use super::clocking::{OutsideClock, Sck, system_clock};
use super::contents::Contents;
use super::fault::{Fault, HeldLine};
use super::plug::Reversed;
use super::programming::{LB1, LB2};
use crate::board::{Board, Chip, ClockSource, Role};
use crate::bus::{LineLevels, Why};
use crate::time::Moment;
use crate::units::{Hertz, Millivolts};
use fastrand::Rng;
use serde::{Deserialize, Serialize};

/// Below this no part in scope is specified to work (8271, 'Electrical Characteristics', from memory).
const SUPPLY_LEAST: Millivolts = Millivolts(1_800);

/// The board.
pub(super) struct SimBoard {
    pub(super) chip: SimChip,
    pub(super) faults: Vec<Fault>,
    /// Bus operations carried out since the board was made.
    pub(super) operations: u64,
    /// How the board was made, where it was bricked then.
    pub(super) brick: Option<Brick>,
    fitted: OutsideClock,
    /// What a bridge meets through a plug that is turned round.
    reversed: Reversed,
    level: Millivolts,
    /// Bytes since the board was connected; four are an instruction.
    bytes: u64,
    /// The bridge takes the supply away.
    switched_off: bool,
    /// A power cut has happened; the supply stays away until somebody brings it back.
    cut: bool,
    /// The bridge drives RESET low.
    reset_low: bool,
    /// The level that MISO was left at.
    miso: bool,
}

impl SimBoard {
    /// A new board: blank chip, factory fuses, nothing wrong.
    pub(super) fn new(board: &Board, chip: &Chip, seed: u64) -> SimBoard {
        let mut rng = Rng::with_seed(seed);
        let contents = Contents::factory(chip, rng.u8(0x80..));
        SimBoard::with(board, chip, contents, rng)
    }

    /// A board that was in use and was bricked in these ways.
    pub(super) fn bricked(board: &Board, chip: &Chip, seed: u64, kinds: &[&'static Bricked]) -> Result<SimBoard, BrickError> {
        let mut patient = Patient::of(board, chip, seed);
        kinds.iter().try_for_each(|kind| patient.brick(kind))?;
        let Patient { contents, faults, .. } = patient;
        let mut made = SimBoard::with(board, chip, contents, Rng::with_seed(seed));
        faults.into_iter().for_each(|fault| made.damage(fault, Moment::default()));
        Ok(made)
    }

    /// A board with these contents.
    pub(super) fn with(board: &Board, chip: &Chip, contents: Contents, rng: Rng) -> SimBoard {
        let fitted = OutsideClock::fitted(board);
        SimBoard {
            chip: SimChip::new(chip.clone(), contents, fitted, rng),
            faults: Vec::new(),
            operations: 0,
            brick: None,
            fitted,
            reversed: Reversed::of(&board.header),
            level: board.levels,
            bytes: 0,
            switched_off: false,
            cut: false,
            reset_low: false,
            miso: true,
        }
    }

    /// Adds a fault; one of the same kind that is there already is replaced, except weak cells in another page.
    pub(super) fn damage(&mut self, fault: Fault, now: Moment) {
        self.chip.tear(now);
        match fault {
            Fault::LostClock => self.chip.lose_clock(),
            Fault::LockedChip(mode) => self.chip.contents.lock &= if mode == 2 { !LB1 } else { !(LB1 | LB2) },
            _ => {}
        }
        if matches!(fault, Fault::PowerCut(0) | Fault::PowerCutInstructions(0)) {
            self.cut = true;
        } else {
            self.faults.retain(|known| std::mem::discriminant(known) != std::mem::discriminant(&fault) || is_weak(known));
            self.faults.push(fault);
        }
        self.apply(now);
    }

    /// Lifts every fault. A lost clock and programmed lock bits go back to factory where a fault did that and nothing else has since.
    pub(super) fn repair(&mut self, now: Moment) {
        self.forget_mended();
        self.chip.tear(now);
        if self.has(&Fault::LostClock) {
            self.chip.restore_clock();
        }
        if self.faults.iter().any(|fault| matches!(fault, Fault::LockedChip(_))) {
            self.chip.contents.lock |= LB1 | LB2;
        }
        self.faults.clear();
        self.switched_off = false;
        self.restore_power(now);
        self.apply(now);
    }

    /// Brings the supply back after a power cut.
    pub(super) fn restore_power(&mut self, now: Moment) {
        self.cut = false;
        self.apply_supply(now);
    }

    /// Forgets faults that changed contents and have been mended since, by fuses or by an erase.
    pub(super) fn forget_mended(&mut self) {
        let fuses = &self.chip.contents.fuses;
        let clocked = system_clock(&self.chip.part, fuses, self.fitted).is_some();
        let unlocked = self.chip.contents.lock & (LB1 | LB2) == LB1 | LB2;
        self.faults.retain(|fault| match fault {
            Fault::LostClock => !clocked,
            Fault::LockedChip(_) => !unlocked,
            _ => true,
        });
    }

    /// Puts the faults in the list into force.
    pub(super) fn apply(&mut self, now: Moment) {
        self.chip.overlay.id = self.faults.iter().find_map(|fault| if let Fault::OtherChip(id) = fault { Some(*id) } else { None });
        let weak = self.faults.iter().filter_map(|fault| if let Fault::WeakCells(page) = fault { Some(*page) } else { None });
        self.chip.overlay.weak_pages = weak.collect();
        self.chip.overlay.weak_supply = self.faults.iter().any(|fault| matches!(fault, Fault::WeakSupply(_)));
        self.chip.overlay.deaf_at = self.has(&Fault::DeafInBrownOut).then(|| self.supply());
        self.apply_supply(now);
        self.apply_reset(now);
    }

    /// The level that something holds this line at.
    fn held(&self, line: HeldLine) -> Option<bool> {
        self.faults.iter().find_map(|fault| match fault {
            Fault::HeldLine(held, high) if *held == line => Some(*high),
            _ => None,
        })
    }

    /// RESET as the chip sees it; released, the board's pull-up makes it high.
    fn reset_level(&self) -> bool {
        self.held(HeldLine::Reset).unwrap_or(!self.reset_low || self.is_reversed())
    }

    fn apply_reset(&mut self, now: Moment) {
        match self.reset_level() {
            true => self.chip.reset_high(now),
            false => self.chip.reset_low(now),
        }
    }

    /// The bridge drives RESET, or lets it go, which makes it high.
    pub(super) fn drive_reset(&mut self, low: bool, now: Moment) {
        self.reset_low = low;
        self.miso |= !low;
        self.apply_reset(now);
    }

    /// Whether the bridge holds the chip in reset, or believes so.
    pub(super) fn drives_reset_low(&self) -> bool {
        self.reset_low
    }

    /// The lines as the bridge reads them. SCK and MOSI are low between transfers.
    pub(super) fn lines(&self) -> LineLevels {
        let powered = self.chip.is_powered();
        if self.is_reversed() {
            return self.reversed.lines(powered);
        }
        LineLevels {
            reset: self.reset_level() && powered,
            sck: self.held(HeldLine::Sck).unwrap_or(false) && powered,
            mosi: self.held(HeldLine::Mosi).unwrap_or(false) && powered,
            miso: self.miso && powered,
        }
    }

    fn has(&self, fault: &Fault) -> bool {
        self.faults.contains(fault)
    }

    fn is_reversed(&self) -> bool {
        self.has(&Fault::ReversedCable)
    }

    /// The supply as the bridge measures it.
    pub(super) fn seen_supply(&self) -> Millivolts {
        if self.is_reversed() { Millivolts(0) } else { self.supply() }
    }

    /// The supply as a meter on the board shows it.
    fn supply(&self) -> Millivolts {
        let other = |fault: &Fault| if let Fault::WrongSupply(mv) | Fault::WeakSupply(mv) = fault { Some(*mv) } else { None };
        let wrong = self.faults.iter().find_map(other);
        match self.switched_off || self.cut || self.has(&Fault::NoPower) {
            true => Millivolts(0),
            false => wrong.unwrap_or(self.level),
        }
    }

    /// The level of the bridge's pins: the board's, unless a fault says otherwise.
    pub(super) fn pin_level(&self) -> Millivolts {
        self.faults.iter().find_map(|fault| if let Fault::WrongLevel(mv) = fault { Some(*mv) } else { None }).unwrap_or(self.level)
    }

    fn apply_supply(&mut self, now: Moment) {
        if self.supply() < SUPPLY_LEAST {
            self.chip.power_off(now);
        } else {
            self.chip.power_on(now);
        }
    }

    /// The bridge switches the supply. A supply that was cut does not come back by that.
    pub(super) fn switch_power(&mut self, on: bool, now: Moment) {
        if self.is_reversed() {
            return;
        }
        if !on && self.chip.is_powered() && self.chip.in_reset() {
            self.chip.violations.add(now, "the supply was switched off while RESET was low".into());
        }
        self.switched_off = !on;
        self.apply_supply(now);
    }

    /// The bridge stops switching the supply; a supply that was cut stays away.
    pub(super) fn let_power_go(&mut self, now: Moment) {
        self.switched_off = false;
        self.apply_supply(now);
    }

    /// The bridge feeds the clock pin, or stops.
    pub(super) fn clock_output(&mut self, hz: Option<Hertz>) {
        self.chip.feed(OutsideClock { signal: hz.or(self.fitted.signal), ..self.fitted });
    }

    /// One byte on the bus.
    ///
    /// # Errors
    /// [`Why::NoPower`]: a bridge that measures the supply drives nothing into a board without one, which it would feed through its pins.
    pub(super) fn exchange(&mut self, sent: u8, at: Moment, sck: Sck) -> Result<u8, Why> {
        if self.seen_supply() < Millivolts(1_000) {
            return Err(Why::NoPower);
        }
        let reaches = self.reaches(sent);
        let out = if self.clocked() { self.chip.exchange(reaches, at, sck) } else { UNDRIVEN };
        self.count_byte(at.plus(sck.time(1)));
        let back = self.returns(sent, out);
        self.miso = back & 1 == 1;
        Ok(back)
    }

    /// What of the bits that the bridge drives on MOSI is at the chip's MOSI.
    pub(super) fn reaches(&self, sent: u8) -> u8 {
        match self.held(HeldLine::Mosi) {
            Some(high) => u8::from(high) * 0xFF,
            None if self.has(&Fault::SwappedData) => UNDRIVEN,
            None => sent,
        }
    }

    /// What of the bits that the chip drives on MISO the bridge reads.
    pub(super) fn returns(&self, sent: u8, out: u8) -> u8 {
        match () {
            () if self.is_reversed() => u8::from(self.lines().miso) * 0xFF,
            () if self.has(&Fault::ShortedData) => sent,
            () if self.has(&Fault::SwappedData) || self.has(&Fault::OpenMiso) => UNDRIVEN,
            () => out,
        }
    }

    /// Whether SCK reaches the chip.
    pub(super) fn clocked(&self) -> bool {
        self.held(HeldLine::Sck).is_none() && !self.is_reversed()
    }

    /// A byte has passed; four are an instruction.
    pub(super) fn count_byte(&mut self, end: Moment) {
        self.bytes += 1;
        if self.bytes.is_multiple_of(4) {
            self.count_down(end, |fault| if let Fault::PowerCutInstructions(left) = fault { Some(left) } else { None });
        }
    }

    /// A bus operation is complete.
    pub(super) fn count_operation(&mut self, now: Moment) {
        self.chip.settle(now);
        self.operations += 1;
        self.count_down(now, |fault| if let Fault::PowerCut(left) = fault { Some(left) } else { None });
    }

    /// Counts a power cut down, and cuts the supply when its time has come.
    fn count_down(&mut self, now: Moment, left: impl Fn(&mut Fault) -> Option<&mut u64>) {
        let Some(place) = self.faults.iter_mut().position(|fault| left(fault).is_some()) else { return };
        let Some(left) = left(&mut self.faults[place]) else { return };
        *left = left.saturating_sub(1);
        if *left == 0 {
            self.faults.remove(place);
            self.cut = true;
            self.apply_supply(now);
        }
    }
}

/// That a board was made bricked, and how.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Brick {
    /// Its name in the catalog of bricked boards.
    pub(super) kind: String,
    /// It was drawn, and is not to be told.
    pub(super) surprise: bool,
}

fn is_weak(fault: &Fault) -> bool {
    matches!(fault, Fault::WeakCells(_))
}

impl SimChip {
    /// Selects a clock that nothing feeds: the clock pin, or a crystal on a board whose clock pin is fed.
    fn lose_clock(&mut self) {
        let fed = self.outside().signal.is_some();
        self.set_clock(|source| match source {
            ClockSource::External => !fed,
            ClockSource::Crystal { .. } => fed,
            ClockSource::Internal { .. } => false,
        });
        self.latch();
    }

    /// Puts the clock field back to factory.
    fn restore_clock(&mut self) {
        let factory = self.part.factory_configuration();
        if let Some(field) = self.part.field_for(Role::Clock)
            && let Some(bits) = field.bits_in(&factory)
        {
            field.set(&mut self.contents.fuses, bits);
        }
        self.latch();
    }

    /// Sets the clock field to the first value whose source suits.
    fn set_clock(&mut self, suits: impl Fn(ClockSource) -> bool) {
        let Some(field) = self.part.field_for(Role::Clock) else { return };
        let Some(value) = field.values.iter().find(|value| value.clock.is_some_and(&suits)) else { return };
        field.set(&mut self.contents.fuses, value.bits);
    }
}
