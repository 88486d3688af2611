//! The simulated board at its pins, bit by bit: what a bridge without SPI hardware of its own is tried against.
//!
//! The chip behind it counts in bytes, so SCK is judged at the end of each: by the shortest half period that the byte had. MISO changes at
//! the falling edge, as in SPI mode 0; the first bit of a byte appears at its rising edge, which is later than on silicon.

use super::chip::UNDRIVEN;
use super::clocking::Sck;
use super::handle::Sim;
use crate::time::Moment;
use crate::units::Hertz;
use std::time::Duration;

/// What the bridge's pins meet.
pub struct BoardPins {
    sim: Sim,
    reset: bool,
    sck: bool,
    /// When SCK changed last.
    edge: Moment,
    byte: Byte,
    miso: bool,
}

/// The byte in hand.
#[derive(Default)]
struct Byte {
    /// Rising edges so far.
    bits: u8,
    /// What the chip shifts out.
    out: u8,
    /// What has come in.
    sent: u8,
    /// The first rising edge.
    began: Moment,
    shortest_half: Option<Duration>,
}

impl Sim {
    /// The board at its pins. RESET is released, SCK low.
    pub fn pins(&self) -> BoardPins {
        BoardPins { sim: self.clone(), reset: true, sck: false, edge: Moment::default(), byte: Byte::default(), miso: true }
    }
}

impl BoardPins {
    /// From this moment on the lines have these levels; `true` is high, and a line that nobody drives has the level that its pull resistor
    /// gives it. Gives MISO's.
    pub fn step(&mut self, at: Moment, reset: bool, sck: bool, mosi: bool) -> bool {
        let sim = self.sim.clone();
        let mut engine = sim.engine_mut();
        engine.now = engine.now.max(at);
        let at = engine.now;
        let board = &mut engine.board;
        if reset != self.reset {
            self.reset = reset;
            (self.byte, self.miso) = (Byte::default(), true);
            board.drive_reset(!reset, at);
        }
        if sck != self.sck {
            self.sck = sck;
            let half = at.since(std::mem::replace(&mut self.edge, at));
            match (reset, sck) {
                (true, true) => board.chip.violations.add(at, "SCK rose while RESET was high".into()),
                (true, false) => {}
                (false, true) => self.rise(board, at, half, mosi),
                (false, false) => self.fall(board, at, half),
            }
        }
        let level = |high: bool| u8::from(high) * 0xFF;
        board.returns(level(mosi), level(self.miso)) & 1 == 1
    }

    /// The bridge feeds the chip's clock pin, or stops.
    pub fn clock(&mut self, hz: Option<Hertz>) {
        self.sim.engine_mut().board.clock_output(hz);
    }

    fn rise(&mut self, board: &mut super::board::SimBoard, at: Moment, low: Duration, mosi: bool) {
        let byte = &mut self.byte;
        if byte.bits == 0 {
            let out = if board.clocked() { board.chip.first_edge(at) } else { UNDRIVEN };
            *byte = Byte { out, began: at, ..Byte::default() };
        } else {
            byte.note(low);
        }
        self.miso = byte.out >> (7 - byte.bits) & 1 == 1;
        byte.sent = byte.sent << 1 | board.reaches(u8::from(mosi)) & 1;
        byte.bits += 1;
    }

    fn fall(&mut self, board: &mut super::board::SimBoard, at: Moment, high: Duration) {
        let byte = &mut self.byte;
        byte.note(high);
        if byte.bits < 8 {
            self.miso = byte.out >> (7 - byte.bits) & 1 == 1;
            return;
        }
        let Byte { sent, began, shortest_half, .. } = std::mem::take(byte);
        if board.clocked() {
            board.chip.last_edge(sent, began, at, Sck::of_half(shortest_half.unwrap_or(Duration::MAX)));
        }
        board.count_byte(at);
    }
}

impl Byte {
    fn note(&mut self, half: Duration) {
        self.shortest_half = Some(self.shortest_half.map_or(half, |shortest| shortest.min(half)));
    }
}
