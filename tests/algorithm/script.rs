//! A bus that keeps a record of every operation and answers by script. It knows no chip: what it answers is what a test
//! gives it.

use farrier::bus::{Abilities, Bus, BusError, Drive, Line, LineLevels, Operation, Outcome, Pattern, Reply, SlotKind, Ticket, Why};
use farrier::time::{SharedClock, VirtualClock};
use farrier::units::{Hertz, Millivolts};
use std::collections::VecDeque;
use std::rc::Rc;

/// Answers to one four-byte instruction; the echo of Programming Enable, too.
pub type Answer = Box<dyn FnMut([u8; 4], Hertz) -> [u8; 4]>;
/// An error for an operation that should fail, by its number since the start and itself.
pub type Failure = Box<dyn FnMut(usize, &Operation) -> Option<BusError>>;

pub struct Script {
    pub abilities: Abilities,
    /// Every operation that was carried out or failed, in order.
    pub log: Vec<Operation>,
    /// The same by list.
    pub lists: Vec<Vec<Operation>>,
    pub answer: Answer,
    pub failure: Failure,
    /// What the supply measures.
    pub supply: Millivolts,
    /// Most lists that were in flight at once.
    pub most_in_flight: usize,
    /// What patterns with [`Outcome::Return`] give: a byte for each captured byte's number since the pattern's `first` counter.
    pub memory: fn(&Pattern, u32) -> u8,
    spi_clock: Hertz,
    results: VecDeque<(Ticket, Result<Vec<Reply>, BusError>)>,
    stopped: bool,
    submitted: u64,
}

/// A healthy ATmega328P as shipped: in step, ready at once.
pub fn healthy(instruction: [u8; 4]) -> [u8; 4] {
    let [a, b, c, _] = instruction;
    let answer = match (a, b, c) {
        (0xAC, 0x53, _) => return [0x00, 0xAC, 0x53, 0x00],
        (0x30, _, n) => [0x1E, 0x95, 0x0F][usize::from(n)],
        (0x38, ..) => 0x9C,
        (0x50, 0x00, _) => 0x62,
        (0x58, 0x08, _) => 0xD9,
        (0x50, 0x08, _) => 0xFF,
        (0x58, 0x00, _) => 0xFF,
        _ => 0x00,
    };
    [0x00, a, b, answer]
}

impl Script {
    pub fn new() -> Script {
        Script {
            abilities: Abilities {
                name: "script".to_owned(),
                spi_clock_min: Hertz(500),
                spi_clock_max: Hertz(8_000_000),
                block_bytes: 256,
                pin_level: Millivolts(5000),
                measures_supply: true,
                clock_output: true,
                switches_power: true,
                simulated: true,
            },
            log: Vec::new(),
            lists: Vec::new(),
            answer: Box::new(|instruction, _| healthy(instruction)),
            failure: Box::new(|_, _| None),
            supply: Millivolts(5000),
            most_in_flight: 0,
            memory: |_, _| 0xFF,
            spi_clock: Hertz(0),
            results: VecDeque::new(),
            stopped: false,
            submitted: 0,
        }
    }

    /// Answers by instruction.
    pub fn answering(answer: impl FnMut([u8; 4], Hertz) -> [u8; 4] + 'static) -> Script {
        Script { answer: Box::new(answer), ..Script::new() }
    }

    /// What the RESET line was told last.
    pub fn reset(&self) -> Option<Drive> {
        self.line(Line::Reset)
    }

    pub fn line(&self, wanted: Line) -> Option<Drive> {
        let of = |operation: &Operation| match operation {
            Operation::Line { line, drive } if *line == wanted => Some(*drive),
            _ => None,
        };
        self.log.iter().rev().find_map(of)
    }

    /// RESET follows the bridge; the other lines are low, MISO high.
    fn lines(&self) -> LineLevels {
        LineLevels { reset: self.reset() != Some(Drive::Low), sck: false, mosi: false, miso: true }
    }

    /// What the clock output was told last.
    pub fn clock_output(&self) -> Option<Hertz> {
        let of = |operation: &Operation| if let Operation::ClockOutput(hz) = operation { Some(*hz) } else { None };
        self.log.iter().rev().find_map(of).flatten()
    }

    /// The lists since the last entry, lock checks left out.
    pub fn work(&self) -> Vec<Vec<Operation>> {
        let entry = |list: &Vec<Operation>| list.iter().any(|o| matches!(o, Operation::Line { .. }));
        let identity = |list: &Vec<Operation>| list.iter().all(|o| matches!(o, Operation::Transfer(bytes) if bytes.len() > 4));
        let lock = |list: &Vec<Operation>| *list == [Operation::Transfer(vec![0x58, 0, 0, 0])];
        let from = self.lists.iter().rposition(entry).map_or(0, |at| at + 1);
        self.lists[from..].iter().filter(|list| !identity(list) && !lock(list)).cloned().collect()
    }

    fn carry_out(&mut self, operation: &Operation) -> Result<Reply, Why> {
        Ok(match operation {
            Operation::Line { .. } | Operation::Delay(_) | Operation::ClockOutput(_) => Reply::Done,
            Operation::SpiClock(hz) => {
                self.spi_clock = *hz;
                Reply::Clock(*hz)
            }
            Operation::MeasureSupply => Reply::Supply(Some(self.supply)),
            Operation::ReadLines => Reply::Lines(self.lines()),
            Operation::Transfer(bytes) => Reply::Bytes(self.exchange(bytes)),
            Operation::Poll { send, byte, mask, value, .. } => {
                let answer = self.exchange(send);
                match answer[usize::from(*byte)] {
                    last if last & mask == *value => Reply::Bytes(answer),
                    last => return Err(Why::PollTimedOut { last }),
                }
            }
            Operation::Pattern(pattern) => self.pattern(pattern),
        })
    }

    fn exchange(&mut self, bytes: &[u8]) -> Vec<u8> {
        let clock = self.spi_clock;
        bytes.chunks(4).flat_map(|four| (self.answer)([four[0], four[1], four[2], four[3]], clock)).collect()
    }

    fn pattern(&mut self, pattern: &Pattern) -> Reply {
        assert!(pattern.template.len() <= 16 && pattern.slots.len() <= 8 && pattern.repeat > 0, "{pattern:?}");
        let captures = pattern.slots.iter().filter(|slot| slot.kind == SlotKind::Capture).count() as u32 * pattern.repeat;
        let largest = self.abilities.block_bytes;
        assert!(pattern.data.len() as u32 <= largest, "more data than the bridge takes");
        match pattern.outcome {
            Outcome::Return => {
                assert!(captures <= largest, "a reply larger than the bridge gives");
                Reply::Bytes((0..captures).map(|n| (self.memory)(pattern, n)).collect())
            }
            Outcome::Crc32 { every } => {
                let sums = captures.div_ceil(every);
                assert!(sums * 4 <= largest, "a reply larger than the bridge gives");
                Reply::Crc32((0..sums).map(|n| pattern.first + n).collect())
            }
            Outcome::Discard | Outcome::Compare => Reply::Done,
        }
    }

    fn list(&mut self, list: &[Operation]) -> Result<Vec<Reply>, BusError> {
        let mut replies = Vec::new();
        for (index, operation) in list.iter().enumerate() {
            self.log.push(operation.clone());
            if let Some(error) = (self.failure)(self.log.len() - 1, operation) {
                return Err(error);
            }
            replies.push(self.carry_out(operation).map_err(|why| BusError::Failed { operation: index, why })?);
        }
        Ok(replies)
    }
}

impl Bus for Script {
    fn abilities(&self) -> &Abilities {
        &self.abilities
    }

    fn clock(&self) -> SharedClock {
        Rc::new(VirtualClock::default())
    }

    fn submit(&mut self, list: &[Operation]) -> Result<Ticket, BusError> {
        assert!(!list.is_empty(), "an empty list was submitted");
        self.stopped &= !self.results.is_empty();
        let ticket = Ticket(self.submitted);
        self.submitted += 1;
        let result = match self.stopped {
            true => Err(BusError::NotBegun),
            false => {
                self.lists.push(list.to_vec());
                self.list(list)
            }
        };
        self.stopped |= result.is_err();
        self.results.push_back((ticket, result));
        self.most_in_flight = self.most_in_flight.max(self.results.len());
        Ok(ticket)
    }

    fn collect(&mut self, ticket: Ticket) -> Result<Vec<Reply>, BusError> {
        let (expected, result) = self.results.pop_front().expect("nothing is in flight");
        assert_eq!(expected, ticket, "collected out of order");
        result
    }
}
