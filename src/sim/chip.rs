//! An 8-bit AVR part with page flash, as its serial programming interface shows it: supply, RESET, SCK, bytes in, bytes out.
//!
//! Source: datasheets 2549 and 8271, section 'Serial Downloading', by this project's notes on them; what is marked 'from memory'
//! there is so here. `programming.rs` has what the instructions do.

use super::clocking::{Fit, OutsideClock, Sck, field_value, system_clock};
use super::contents::{Contents, Touched, Write};
use super::instruction::Instruction;
use super::programming::{EepromBuffer, PageBuffer};
use super::times::Times;
use super::violations::Violations;
use crate::board::{Chip, Role, Way};
use crate::time::Moment;
use crate::units::{Hertz, Millivolts};
use fastrand::Rng;
use std::ops::Range;
use std::time::Duration;

/// How long to wait after power-up and after RESET went low (8271, 'Serial Programming Algorithm', step 2).
const ENTRY_WAIT: Duration = Duration::from_millis(20);

/// What a bridge with a weak pull-up sees on a MISO that nobody drives.
pub(super) const UNDRIVEN: u8 = 0xFF;

/// Faults that lie over clean contents.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Overlay {
    /// ID bytes of another part.
    pub(super) id: Option<[u8; 3]>,
    /// Flash pages with cells that do not hold a 0.
    pub(super) weak_pages: Vec<u32>,
    /// The supply gives way under load: a self-timed write is never done in full.
    pub(super) weak_supply: bool,
    /// The supply, where a brown-out keeps the programming interface silent as well.
    pub(super) deaf_at: Option<Millivolts>,
}

/// The chip.
pub(super) struct SimChip {
    pub(super) part: Chip,
    pub(super) times: Times,
    pub(super) contents: Contents,
    pub(super) overlay: Overlay,
    pub(super) violations: Violations,
    pub(super) rng: Rng,
    outside: OutsideClock,
    /// The fuses in force: latched at power-up and when RESET ends programming mode; only EESAVE acts at once.
    latched: Vec<u8>,
    /// What follows from them.
    in_force: InForce,
    /// Since when there is supply.
    powered: Option<Moment>,
    reset: Reset,
    pub(super) session: Session,
    pub(super) running: Option<Running>,
    /// What has changed since somebody last took note.
    pub(super) touched: Vec<Touched>,
}

/// What follows from the fuses in force and the clocks that are there.
#[derive(Clone, Copy, Debug, Default)]
struct InForce {
    clock: Option<Hertz>,
    /// RSTDISBL, DWEN or SPIEN keep the interface from being entered.
    shut: bool,
    /// The supply below which the brown-out detector holds the chip in reset.
    resets_below: Option<Millivolts>,
}

/// The RESET line, and since when; `None`: for longer than this simulation.
#[derive(Clone, Copy, Debug)]
enum Reset {
    Low { since: Moment },
    High { since: Option<Moment> },
}

/// One stay with RESET low.
pub(super) struct Session {
    pub(super) step: Step,
    /// The first byte of this stay has come, so that being too early is told once.
    begun: bool,
    /// The bytes of the instruction so far.
    bytes: [u8; 4],
    filled: usize,
    /// The byte that came before, which is shifted out next.
    previous: u8,
    /// A self-timed write was running when the instruction began.
    pub(super) began_busy: bool,
    /// SCK was too fast for at least one byte of the instruction.
    too_fast: bool,
    /// Bits 23..16 of word addresses (instruction 4D). Cleared at entry, so that a host must send it.
    pub(super) extended: u8,
    pub(super) page: PageBuffer,
    pub(super) eeprom_page: EepromBuffer,
}

/// Whether chip and host mean the same bit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// RESET is low, Programming Enable has not come yet.
    Waiting,
    /// Programming is enabled.
    Enabled,
    /// Programming was enabled by luck: some edges were within the limits although SCK is too fast.
    Lucky,
    /// The chip has lost count of the bits; only a RESET pulse helps.
    Lost,
}

/// A self-timed write on its way.
pub(super) struct Running {
    pub(super) write: Write,
    pub(super) until: Moment,
}

impl SimChip {
    /// The chip powered, with RESET released, since long ago.
    pub(super) fn new(part: Chip, contents: Contents, outside: OutsideClock, rng: Rng) -> SimChip {
        let mut chip = SimChip {
            session: Session::new(&part),
            latched: Vec::new(),
            in_force: InForce::default(),
            powered: Some(Moment::default()),
            reset: Reset::High { since: None },
            overlay: Overlay::default(),
            violations: Violations::default(),
            running: None,
            touched: Vec::new(),
            times: Times::of(&part),
            part,
            contents,
            outside,
            rng,
        };
        chip.latch();
        chip
    }

    /// Puts the fuses into force, as power-up and the end of programming mode do.
    pub(super) fn latch(&mut self) {
        self.latched.clone_from(&self.contents.fuses);
        self.feed(self.outside);
    }

    pub(super) fn outside(&self) -> OutsideClock {
        self.outside
    }

    /// These are the clocks that are there from now on.
    pub(super) fn feed(&mut self, outside: OutsideClock) {
        self.outside = outside;
        let values = self.part.fields.iter().filter_map(|field| field.read(&self.latched)?.value);
        let shut = values.clone().any(|value| value.shuts.contains(&Way::Spi));
        let resets_below = values.filter_map(|value| value.resets_below).max();
        self.in_force = InForce { clock: system_clock(&self.part, &self.latched, outside), shut, resets_below };
    }

    pub(super) fn is_powered(&self) -> bool {
        self.powered.is_some()
    }

    pub(super) fn in_reset(&self) -> bool {
        matches!(self.reset, Reset::Low { .. })
    }

    /// Finishes the self-timed write whose time has come.
    pub(super) fn settle(&mut self, now: Moment) {
        if let Some(running) = self.running.take_if(|running| running.until <= now) {
            match self.overlay.weak_supply {
                true => self.contents.tear(&running.write, &mut self.rng),
                false => self.contents.complete(&running.write),
            }
            self.touched.push(running.write.touches());
        }
    }

    /// Leaves the self-timed write, if there is one, half done.
    pub(super) fn tear(&mut self, now: Moment) -> bool {
        self.settle(now);
        let torn = self.running.take();
        if let Some(running) = &torn {
            self.contents.tear(&running.write, &mut self.rng);
            self.touched.push(running.write.touches());
        }
        torn.is_some()
    }

    /// The supply goes.
    pub(super) fn power_off(&mut self, now: Moment) {
        self.tear(now);
        self.powered = None;
        self.session = Session::new(&self.part);
    }

    /// The supply comes: fuses are latched.
    pub(super) fn power_on(&mut self, now: Moment) {
        if self.powered.is_none() {
            self.powered = Some(now);
            self.latch();
            self.session = Session::new(&self.part);
        }
    }

    /// RESET goes low. After a pulse that the chip could see, it waits for Programming Enable.
    pub(super) fn reset_low(&mut self, now: Moment) {
        let Reset::High { since } = self.reset else { return };
        self.reset = Reset::Low { since: now };
        let pulse = since.map_or(Duration::MAX, |since| now.since(since));
        let too_short = self.in_force.clock.is_some_and(|hz| pulse < Duration::from_secs(2) / hz.0.max(1));
        if too_short && self.is_powered() {
            self.violations.add(now, format!("a RESET pulse of {} ns is shorter than two CPU clocks", pulse.as_nanos()));
            self.session.step = Step::Lost;
        } else {
            self.session = Session::new(&self.part);
        }
    }

    /// RESET goes high: the chip leaves programming mode, the fuses are latched, the firmware starts.
    pub(super) fn reset_high(&mut self, now: Moment) {
        let Reset::Low { .. } = self.reset else { return };
        if self.tear(now) {
            self.violations.add(now, "RESET was released during a self-timed write".into());
        }
        self.reset = Reset::High { since: Some(now) };
        self.latch();
    }

    /// One byte on the bus: what the chip shifts out while `sent` comes in, beginning `at`.
    pub(super) fn exchange(&mut self, sent: u8, at: Moment, sck: Sck) -> u8 {
        let Some(clock) = self.begin_byte(at) else { return UNDRIVEN };
        let fit = sck.fit(clock);
        self.judge_sck(fit, at, sck, clock);
        if self.session.step == Step::Lost {
            return self.rng.u8(..);
        }
        let out = self.out();
        self.take(sent, at.plus(sck.time(1)));
        if fit == Fit::Fine || self.session.step == Step::Waiting { out } else { self.blur(out) }
    }

    /// The first edge of a byte, for a bridge that is seen bit by bit: what the chip shifts out. How fast SCK is shows only at the end.
    pub(super) fn first_edge(&mut self, at: Moment) -> u8 {
        match self.begin_byte(at) {
            None => UNDRIVEN,
            Some(_) if self.session.step == Step::Lost => self.rng.u8(..),
            Some(_) => self.out(),
        }
    }

    /// The last edge of a byte that began `at`: `sent` has come in.
    pub(super) fn last_edge(&mut self, sent: u8, at: Moment, end: Moment, sck: Sck) {
        let Some(clock) = self.listens() else { return };
        self.judge_sck(sck.fit(clock), at, sck, clock);
        if self.session.step != Step::Lost {
            self.take(sent, end);
        }
    }

    /// The system clock, where the interface is alive: RESET low, supply, a clock, not shut by a fuse.
    ///
    /// The brown-out detector and the RESET pin reset the chip through the same gate, as the datasheets draw the reset logic (8271,
    /// 'System Control and Reset', from memory), so the interface is taken to work while the detector holds the chip. No document read
    /// for this project says so; [`Overlay::deaf_at`] is the other case.
    fn listens(&self) -> Option<Hertz> {
        let deaf = self.overlay.deaf_at.zip(self.in_force.resets_below).is_some_and(|(supply, level)| supply < level);
        let alive = self.in_reset() && self.is_powered() && !self.in_force.shut && !deaf;
        self.in_force.clock.filter(|_| alive)
    }

    /// A byte begins. The system clock, where the interface is alive.
    fn begin_byte(&mut self, at: Moment) -> Option<Hertz> {
        self.settle(at);
        let clock = self.listens()?;
        let (Reset::Low { since }, Some(powered)) = (self.reset, self.powered) else { return None };
        if !std::mem::replace(&mut self.session.begun, true) && at.since(since.max(powered)) < ENTRY_WAIT {
            let wait = at.since(since.max(powered)).as_micros();
            self.violations.add(at, format!("the first byte came {wait} us after RESET went low or power came; 20 ms must pass"));
            self.session.step = Step::Lost;
        }
        if self.session.filled == 0 {
            self.session.began_busy = self.running.is_some();
            self.session.too_fast = false;
        }
        Some(clock)
    }

    /// What SCK does to the step: an entry that is too fast fails without being a violation; once in step, too fast is one.
    fn judge_sck(&mut self, fit: Fit, at: Moment, sck: Sck, clock: Hertz) {
        let first_byte = self.session.filled == 0;
        match (self.session.step, fit) {
            (Step::Lost, _) | (Step::Waiting | Step::Enabled, Fit::Fine) => {}
            (Step::Lucky, Fit::Fine) => self.session.step = Step::Enabled,
            (Step::Waiting, Fit::TooFast) => self.session.step = Step::Lost,
            (Step::Waiting, Fit::Marginal) if first_byte && self.rng.bool() => self.session.step = Step::Lost,
            (Step::Waiting | Step::Lucky, Fit::Marginal) => self.session.too_fast = true,
            (Step::Enabled, Fit::Marginal | Fit::TooFast) | (Step::Lucky, Fit::TooFast) => {
                let text = format!("SCK of {} is too fast for a system clock of {clock}", sck.hertz());
                self.violations.add(at, text);
                self.session.step = Step::Lost;
            }
        }
    }

    /// What is shifted out with the next byte of an instruction, in step: the byte before it, or an answer.
    fn out(&mut self) -> u8 {
        let [first, second, third, _] = self.session.bytes;
        let answer = if self.session.filled == 3 { self.answer([first, second, third, 0]) } else { None };
        answer.unwrap_or(self.session.previous)
    }

    /// A byte of an instruction has come in, in step.
    fn take(&mut self, sent: u8, end: Moment) {
        let session = &mut self.session;
        session.bytes[session.filled] = sent;
        session.previous = sent;
        session.filled = (session.filled + 1) % 4;
        if session.filled == 0 {
            let bytes = session.bytes;
            self.carry_out(bytes, end);
        }
    }

    /// What comes out with the fourth byte, for instructions that ask.
    fn answer(&mut self, bytes: [u8; 4]) -> Option<u8> {
        let asks = Instruction::decode(bytes).filter(|_| matches!(self.session.step, Step::Enabled | Step::Lucky))?;
        if !self.knows(asks) {
            return None;
        }
        if self.polls_data(asks) {
            return if self.running.is_some() { Some(0xFF) } else { self.read(asks) };
        }
        if self.session.began_busy && asks != Instruction::PollReady {
            return asks.only_asks().then(|| self.rng.u8(..));
        }
        self.read(asks)
    }

    /// The instruction is complete at `end`.
    fn carry_out(&mut self, bytes: [u8; 4], end: Moment) {
        let Some(instruction) = Instruction::decode(bytes) else {
            if self.session.step != Step::Waiting {
                self.violations.add(end, format!("{} is not an instruction", hex(bytes)));
            }
            return;
        };
        match (self.session.step, instruction) {
            (Step::Waiting, Instruction::ProgrammingEnable) => {
                self.session.step = if self.session.too_fast { Step::Lucky } else { Step::Enabled };
            }
            (Step::Waiting, _) => {
                self.violations.add(end, format!("instruction {} came before Programming Enable", hex(bytes)));
            }
            (Step::Lucky, _) if !instruction.only_asks() => {
                self.violations.add(end, format!("instruction {} was sent although SCK is too fast for the chip", hex(bytes)));
                self.session.step = Step::Lost;
            }
            _ if !self.knows(instruction) => {
                self.violations.add(end, format!("{} is not an instruction of this part", hex(bytes)));
            }
            (_, Instruction::PollReady) => {}
            _ if self.polls_data(instruction) => {}
            _ if self.session.began_busy => {
                self.violations.add(end, format!("instruction {} came during a self-timed write", hex(bytes)));
                self.tear(end);
            }
            _ => self.program(instruction, end),
        }
    }

    /// A byte of which SCK was too fast to shift every bit out in time.
    fn blur(&mut self, out: u8) -> u8 {
        if self.rng.bool() { out ^ (1 << self.rng.u8(..8)) } else { out }
    }

    /// The EEPROM that a fuse in force keeps from being written (EELOCK of the ATA628x).
    pub(super) fn locked_eeprom(&self) -> Option<Range<usize>> {
        let values = self.part.fields.iter().filter_map(|field| field.read(&self.latched)?.value);
        let locked = values.filter_map(|value| value.locks_eeprom).next()?;
        Some(locked.start().0 as usize..locked.end().0 as usize)
    }

    /// EESAVE as it stands: it acts as soon as it is written.
    pub(super) fn keeps_eeprom(&self) -> bool {
        field_value(&self.part, Role::KeepEeprom, &self.contents.fuses).is_some_and(|value| value.name == "on")
    }
}

impl Session {
    fn new(part: &Chip) -> Session {
        Session {
            step: Step::Waiting,
            begun: false,
            bytes: [0; 4],
            filled: 0,
            previous: 0,
            began_busy: false,
            too_fast: false,
            extended: 0,
            page: PageBuffer::new(part.flash.page),
            eeprom_page: EepromBuffer::new(part.eeprom.page),
        }
    }
}

fn hex(bytes: [u8; 4]) -> String {
    let [a, b, c, d] = bytes;
    format!("{a:02X} {b:02X} {c:02X} {d:02X}")
}
