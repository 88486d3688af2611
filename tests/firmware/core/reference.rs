//! The core beside the host's own way of carrying operations out: the same operations must send the same bytes and give the same replies.

use super::*;
use farrier::bus::{Abilities, Bus, BusError, Drive, Line, LineLevels, Outcome, Pattern, Reply, Slot, SlotKind, Why};
use farrier::link::{Client, Hands, carry_out};
use farrier::units::Millivolts;

/// What both boards give for the byte sent last: nearly random, and the same for the same history.
fn scrambler() -> impl FnMut(u8) -> u8 {
    let mut state = 1u32;
    move |sent| {
        state = state.wrapping_mul(1_664_525).wrapping_add(u32::from(sent) + 1_013_904_223);
        (state >> 24) as u8
    }
}

struct Reference {
    abilities: Abilities,
    sent: Vec<u8>,
    answers: Box<dyn FnMut(u8) -> u8>,
    now: Moment,
}

impl Hands for Reference {
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
    fn drive(&mut self, line: Line, _: Drive) -> Result<(), Why> {
        if line == Line::Power { Err(Why::NotSupported) } else { Ok(()) }
    }
    fn choose_clock(&mut self, limit: Hertz) -> Result<Hertz, Why> {
        let limit = limit.min(self.abilities.spi_clock_max);
        if limit < self.abilities.spi_clock_min {
            return Err(Why::NotSupported);
        }
        Ok(Hertz(16_000_000 / 16_000_000u32.div_ceil(limit.0)))
    }
    fn exchange(&mut self, bytes: &[u8]) -> Result<Vec<u8>, Why> {
        self.sent.extend(bytes);
        self.now = self.now.plus(Duration::from_millis(1));
        Ok(bytes.iter().map(|byte| (self.answers)(*byte)).collect())
    }
    fn clock_output(&mut self, _: Option<Hertz>) -> Result<(), Why> {
        Err(Why::NotSupported)
    }
    fn supply(&mut self) -> Option<Millivolts> {
        Some(Millivolts(4980))
    }
    fn lines(&mut self) -> Result<LineLevels, Why> {
        unreachable!("not among the operations here")
    }
}

/// Slots of any kind at any place, in any order, over a template that is 0 where it must be.
fn pattern(random: &mut fastrand::Rng) -> Pattern {
    let length = random.u8(1..=16);
    let mut template: Vec<u8> = (0..length).map(|_| random.u8(..)).collect();
    let mut taken = vec![false; usize::from(length) * 8];
    let outcome = [Outcome::Discard, Outcome::Return, Outcome::Compare, Outcome::Crc32 { every: random.u32(1..9) }][random.usize(..4)];
    let mut slots = Vec::new();
    for _ in 0..random.u8(..=8) {
        let kind = [SlotKind::Counter, SlotKind::Data, SlotKind::Capture][random.usize(..3)];
        let width = if kind == SlotKind::Counter { random.u8(1..=32) } else { 8 };
        let places = (u16::from(length) * 8).saturating_sub(u16::from(width)) as u8;
        let bit = if random.bool() { random.u8(..=places) / 8 * 8 } else { random.u8(..=places) };
        let bits = usize::from(bit)..usize::from(bit) + usize::from(width);
        if bits.end > taken.len() || (kind == SlotKind::Data && outcome == Outcome::Compare) {
            continue;
        }
        if kind != SlotKind::Capture {
            if taken[bits.clone()].iter().any(|taken| *taken) {
                continue;
            }
            for bit in bits {
                taken[bit] = true;
                template[bit / 8] &= !(0x80 >> (bit % 8));
            }
        }
        slots.push(Slot { kind, bit, width });
    }
    if slots.len() < 8 && outcome != Outcome::Discard {
        slots.push(Slot { kind: SlotKind::Capture, bit: random.u8(..=(length - 1) * 8), width: 8 });
    }
    let taking = if outcome == Outcome::Compare { SlotKind::Capture } else { SlotKind::Data };
    let each = slots.iter().filter(|slot| slot.kind == taking).count();
    let repeat = random.u32(1..=30);
    let first = if random.bool() { random.u32(..70_000) } else { u32::MAX - repeat + 1 - random.u32(..3) };
    let data = (0..each * repeat as usize).map(|_| random.u8(..)).collect();
    Pattern { template, slots, first, repeat, data, outcome }
}

fn operation(random: &mut fastrand::Rng) -> Operation {
    match random.u8(..10) {
        0 => Operation::Transfer((0..random.usize(..500)).map(|_| random.u8(..)).collect()),
        1 => {
            let send: Vec<u8> = (0..random.usize(1..6)).map(|_| random.u8(..)).collect();
            // A value that comes sooner or later; the limit does not matter.
            let byte = random.u8(..send.len() as u8);
            Operation::Poll { send, byte, mask: 0x81, value: 0x80 * random.u8(..2), limit: Duration::from_secs(60) }
        }
        2 => Operation::SpiClock(Hertz(random.u32(500..9_000_000))),
        3 => Operation::MeasureSupply,
        _ => Operation::Pattern(pattern(random)),
    }
}

/// A pattern whose comparison holds for some of its transfers, and often for all.
fn with_true_data(operation: &mut Operation, reference: &Reference, random: &mut fastrand::Rng) {
    let Operation::Pattern(pattern) = operation else { return };
    if pattern.outcome != Outcome::Compare {
        return;
    }
    let mut trial =
        Reference { sent: Vec::new(), answers: Box::new(scrambler()), abilities: reference.abilities.clone(), now: reference.now };
    trial.exchange(&reference.sent).unwrap();
    let reading = Pattern { outcome: Outcome::Return, data: Vec::new(), ..pattern.clone() };
    if let Ok(Reply::Bytes(bytes)) = carry_out(&mut trial, &Operation::Pattern(reading)) {
        pattern.data = bytes;
        if random.bool() {
            let at = random.usize(..pattern.data.len());
            pattern.data[at] ^= 1 << random.u8(..8);
        }
    }
}

#[test]
fn random_operations_do_the_same_as_the_hosts_own() {
    let log = Rc::new(RefCell::new(Log::default()));
    let firmware = Firmware::start(&mut Command::new(program()), Scripted(Rc::clone(&log), scrambler()));
    let mut client = Client::connect(Box::new(FirmwareWire::new(firmware, 100_000))).unwrap();
    let abilities = client.abilities().clone();
    let mut reference = Reference { abilities, sent: Vec::new(), answers: Box::new(scrambler()), now: Moment::default() };
    let (mut comparing, mut differing) = (0, 0);
    for seed in 0..1500 {
        let mut random = fastrand::Rng::with_seed(seed);
        let mut operation = operation(&mut random);
        with_true_data(&mut operation, &reference, &mut random);
        let expected = carry_out(&mut reference, &operation);
        match (client.run(&[operation.clone()]), expected) {
            (Ok(found), Ok(expected)) => assert_eq!(found, [expected], "seed {seed}: {operation:?}"),
            (Err(BusError::Failed { operation: 0, why: found }), Err(expected)) => {
                assert_eq!(found, expected, "seed {seed}: {operation:?}");
                differing += usize::from(matches!(found, Why::Differs { .. }));
            }
            (found, expected) => panic!("seed {seed}: {operation:?}\ncore {found:?}\nhost {expected:?}"),
        }
        comparing += usize::from(matches!(&operation, Operation::Pattern(pattern) if pattern.outcome == Outcome::Compare));
        let mut log = log.borrow_mut();
        assert_eq!(log.sent.len(), reference.sent.len(), "seed {seed}: {operation:?}");
        let from = log.sent.len().saturating_sub(600);
        assert_eq!(log.sent[from..], reference.sent[from..], "seed {seed}: {operation:?}");
        drop(std::mem::take(&mut log.clocks));
    }
    assert!(differing > 50 && comparing > differing + 50, "{comparing} comparisons, {differing} of them differ");
}
