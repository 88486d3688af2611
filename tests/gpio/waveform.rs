//! What happens at the pins, and when.

use super::fake::{Act, Event, FakePins, Record, bus, description};
use farrier::bus::{Bus, BusError, Drive, Line, LineLevels, Operation, Outcome, Pattern, Reply, Slot, SlotKind, Why};
use farrier::link::gpio::{BitBang, Pin, Pins};
use farrier::link::{DirectBus, Hands};
use farrier::time::{Clock, HostClock};
use farrier::units::{Hertz, Millivolts};
use proptest::prelude::*;
use std::cell::RefCell;
use std::io;
use std::rc::Rc;
use std::time::{Duration, Instant};

const CALL: Duration = Duration::from_micros(2);

type FakeBus = DirectBus<BitBang<FakePins>>;

fn fresh(call: Duration) -> (FakeBus, Record) {
    let (pins, record) = FakePins::new(call);
    (bus(pins, &description()), record)
}

fn reset(drive: Drive) -> Operation {
    Operation::Line { line: Line::Reset, drive }
}

fn low() -> Act {
    Act::Put { sck: false, mosi: false }
}

#[test]
fn a_byte_in_mode_0() {
    let (mut bus, record) = fresh(CALL);
    bus.run(&[reset(Drive::Low)]).unwrap();
    record.take();
    bus.run(&[Operation::Transfer(vec![0xA6])]).unwrap();
    let mut expected = Vec::new();
    for bit in [true, false, true, false, false, true, true, false] {
        expected.extend([Act::Put { sck: false, mosi: bit }, Act::Put { sck: true, mosi: bit }, Act::Read(Pin::Miso)]);
    }
    expected.push(low());
    assert_eq!(record.acts(), expected);
}

#[test]
fn reset_comes_last_and_goes_first() {
    let (mut bus, record) = fresh(CALL);
    let drives = |pin| Act::Drive(pin, false);
    bus.run(&[reset(Drive::Low)]).unwrap();
    assert_eq!(record.acts(), [drives(Pin::Sck), drives(Pin::Mosi), drives(Pin::Reset)]);
    bus.run(&[reset(Drive::High)]).unwrap();
    assert_eq!(record.acts(), [low(), Act::Drive(Pin::Reset, true)]);
    bus.run(&[reset(Drive::Release)]).unwrap();
    let released = [Pin::Reset, Pin::Sck, Pin::Mosi].map(Act::Release);
    assert_eq!(record.acts(), released);
    bus.run(&[reset(Drive::High)]).unwrap();
    assert_eq!(record.acts(), [drives(Pin::Sck), drives(Pin::Mosi), Act::Drive(Pin::Reset, true)]);
    drop(bus);
    assert_eq!(record.acts(), released);
}

#[test]
fn every_line_is_released_although_the_lines_break() {
    for breaks_at in 1..40 {
        let (mut bus, record) = fresh(CALL);
        let measuring = record.clock.now().0.as_micros() / CALL.as_micros();
        record.breaks_at.set(Some(usize::try_from(measuring).unwrap() + breaks_at));
        let work = [reset(Drive::High), reset(Drive::Low), Operation::Transfer(vec![1, 2]), Operation::ReadLines, reset(Drive::High)];
        let result = bus.run(&work);
        assert!(matches!(&result, Err(BusError::Wire(why)) if why.to_string().contains("is gone")), "{breaks_at}: {result:?}");
        record.take();
        drop(bus);
        assert_eq!(record.acts(), [Pin::Reset, Pin::Sck, Pin::Mosi].map(Act::Release), "{breaks_at}");
    }
}

#[test]
fn what_it_says_of_itself_is_what_was_measured() {
    let ranges = |call, half| {
        let (pins, _) = FakePins::new(call);
        let mut file = description();
        file.shortest_half = half;
        let bus = bus(pins, &file);
        (bus.abilities().spi_clock_min.0, bus.abilities().spi_clock_max.0)
    };
    let us = Duration::from_micros;
    assert_eq!(ranges(us(2), Duration::ZERO), (100, 250_000));
    // The file's bound counts where it is the slower one.
    assert_eq!(ranges(us(2), us(5)), (100, 100_000));
    assert_eq!(ranges(us(2), us(1)), (100, 250_000));
    // An expander on a slow bus of its own.
    assert_eq!(ranges(Duration::from_millis(20), Duration::ZERO), (25, 25));

    let (bus, _) = fresh(CALL);
    let abilities = bus.abilities();
    assert_eq!(abilities.pin_level, Millivolts(3_300));
    assert!(!abilities.measures_supply && !abilities.clock_output && !abilities.switches_power && !abilities.simulated);
    assert_eq!(abilities.name, "GPIO lines of /dev/gpiochip7");
}

#[test]
fn what_it_cannot_do_is_said() {
    let (mut bus, record) = fresh(CALL);
    for (operation, expected) in [
        // With RESET released nothing may be driven.
        (Operation::Transfer(vec![0xAC]), Why::BadOperation),
        (Operation::Line { line: Line::Power, drive: Drive::High }, Why::NotSupported),
        (Operation::ClockOutput(Some(Hertz(1_000_000))), Why::NotSupported),
        (Operation::SpiClock(Hertz(99)), Why::NotSupported),
        (Operation::Transfer(vec![0; 1025]), Why::BadOperation),
    ] {
        let failed = bus.run(&[Operation::Delay(Duration::ZERO), operation.clone()]);
        assert!(matches!(&failed, Err(BusError::Failed { operation: 1, why }) if *why == expected), "{operation:?}: {failed:?}");
    }
    assert_eq!(record.acts(), []);
    assert_eq!(bus.run(&[Operation::ClockOutput(None), Operation::MeasureSupply]).unwrap(), [Reply::Done, Reply::Supply(None)]);
    let lines = LineLevels { reset: true, sck: false, mosi: false, miso: true };
    assert_eq!(bus.run(&[Operation::ReadLines]).unwrap(), [Reply::Lines(lines)]);
}

#[test]
fn a_delay_is_as_long_as_asked() {
    let (mut bus, record) = fresh(CALL);
    let before = record.clock.now();
    bus.run(&[Operation::Delay(Duration::from_millis(20))]).unwrap();
    assert_eq!(record.clock.now().since(before), Duration::from_millis(20));
}

/// Pins that do nothing, and write down when SCK was set, by a clock of their own.
struct Timed(Rc<RefCell<Vec<(Instant, Instant)>>>);

impl Pins for Timed {
    fn drive(&mut self, _: Pin, _: bool) -> io::Result<()> {
        Ok(())
    }

    fn release(&mut self, _: Pin) -> io::Result<()> {
        Ok(())
    }

    fn put(&mut self, _: bool, _: bool) -> io::Result<()> {
        let began = Instant::now();
        self.0.borrow_mut().push((began, Instant::now()));
        Ok(())
    }

    fn read(&mut self, _: Pin) -> io::Result<bool> {
        Ok(true)
    }
}

/// By the host's clock: no half is too short, and the best ones show that it does not sleep through them.
#[test]
fn halves_in_real_time() {
    for (asked, most_late) in [(200_000, Duration::from_micros(20)), (1_000, Duration::from_micros(100))] {
        let calls = Rc::default();
        let clock = Rc::new(HostClock::start());
        let hands = BitBang::new(Timed(Rc::clone(&calls)), &description(), clock.clone()).unwrap();
        let abilities = hands.abilities().clone();
        let mut bus = DirectBus::new(hands, abilities, clock);
        bus.run(&[reset(Drive::Low), Operation::SpiClock(Hertz(asked)), Operation::Transfer(vec![0x5A; 4])]).unwrap();
        let calls = calls.take();
        assert_eq!(calls.len(), 65);
        let halves: Vec<Duration> = calls.windows(2).map(|pair| pair[1].0.duration_since(pair[0].1)).collect();
        let (half, shortest) = (Duration::from_secs(1) / asked / 2, *halves.iter().min().unwrap());
        assert!(shortest >= half, "{shortest:?} at {asked} Hz");
        assert!(shortest < half + most_late, "{shortest:?} at {asked} Hz");
    }
}

/// SCK's edges: the call that made each.
fn edges(events: &[Event]) -> Vec<(Event, bool)> {
    let mut sck = false;
    let mut edges = Vec::new();
    for event in events {
        if let Act::Put { sck: now, .. } = event.act
            && std::mem::replace(&mut sck, now) != now
        {
            edges.push((*event, now));
        }
    }
    edges
}

/// Everything that a list may do to the lines, in any order.
fn any_operation() -> impl Strategy<Value = Operation> {
    let bytes = || prop::collection::vec(any::<u8>(), 1..4);
    let captured = Slot { kind: SlotKind::Capture, bit: 8, width: 8 };
    prop_oneof![
        prop_oneof![Just(Drive::Low), Just(Drive::High), Just(Drive::Release)].prop_map(reset),
        bytes().prop_map(Operation::Transfer),
        bytes().prop_map(|send| Operation::Poll { send, byte: 0, mask: 1, value: 0, limit: Duration::from_micros(300) }),
        (1..4u32).prop_map(move |repeat| Operation::Pattern(Pattern {
            template: vec![0x20, 0x00],
            slots: vec![captured],
            first: 0,
            repeat,
            data: Vec::new(),
            outcome: Outcome::Return,
        })),
        (50..400_000u32).prop_map(|clock| Operation::SpiClock(Hertz(clock))),
        (0..100u64).prop_map(|us| Operation::Delay(Duration::from_micros(us))),
        Just(Operation::ReadLines),
    ]
}

proptest! {
    /// Neither half is shorter than half a period of the clock asked for, from the return of one call to the beginning of the next, and the
    /// clock that is said to be made is that which is made, within a hundredth.
    #[test]
    fn no_half_is_too_short(asked in 100..3_000_000u32, call in 300..40_000u64, bytes in prop::collection::vec(any::<u8>(), 2..6)) {
        let call = Duration::from_nanos(call);
        let (mut bus, record) = fresh(call);
        let asked = asked.max(bus.abilities().spi_clock_min.0);
        let replies = bus.run(&[reset(Drive::Low), Operation::SpiClock(Hertz(asked))]).unwrap();
        let Reply::Clock(made) = replies[1] else { panic!("{replies:?}") };
        prop_assert!(made.0 <= asked);
        record.take();
        bus.run(&[Operation::Transfer(bytes.clone())]).unwrap();
        let edges = edges(&record.take());
        prop_assert_eq!(edges.len(), bytes.len() * 16);
        for pair in edges.windows(2) {
            let half = pair[1].0.began.since(pair[0].0.ended);
            prop_assert!(half.as_nanos() * 2 * u128::from(asked) >= 1_000_000_000, "{half:?} at {asked} Hz");
        }
        let rising: Vec<_> = edges.iter().filter(|(_, high)| *high).collect();
        let took = rising[rising.len() - 1].0.ended.since(rising[0].0.ended).as_secs_f64() / (rising.len() - 1) as f64;
        let told = 1.0 / f64::from(made.0);
        prop_assert!((told / took - 1.0).abs() < 0.01, "told {told}, took {took}");
    }

    /// Whatever is asked in whatever order: MOSI is steady while SCK is high, SCK and MOSI are driven only together with RESET or just around
    /// that, at low, and RESET moves only while both are low.
    #[test]
    fn the_lines_keep_to_the_rules(list in prop::collection::vec(any_operation(), 1..25)) {
        let (mut bus, record) = fresh(CALL);
        for operation in &list {
            let _ = bus.run(std::slice::from_ref(operation));
        }
        drop(bus);
        let mut driven: [Option<bool>; 4] = [None; 4];
        let at = |pin: Pin| pin as usize;
        for event in record.take() {
            let before = driven;
            match event.act {
                Act::Drive(pin, high) => driven[at(pin)] = Some(high),
                Act::Release(pin) => driven[at(pin)] = None,
                Act::Put { sck, mosi } => {
                    prop_assert!(before[at(Pin::Reset)].is_some(), "set while RESET was released");
                    (driven[at(Pin::Sck)], driven[at(Pin::Mosi)]) = (Some(sck), Some(mosi));
                }
                Act::Read(_) => {}
            }
            let [sck, mosi, miso, reset] = driven;
            prop_assert_eq!(miso, None);
            let idle = [None, Some(false)];
            if reset.is_none() {
                prop_assert!(idle.contains(&sck) && idle.contains(&mosi), "driven high while RESET is released: {:?}", event);
            }
            if before[at(Pin::Reset)] != reset && reset.is_some() {
                prop_assert_eq!((sck, mosi), (Some(false), Some(false)), "RESET moved while SCK or MOSI was high or not driven");
            }
            if before[at(Pin::Sck)] == Some(true) && sck == Some(true) {
                prop_assert_eq!(before[at(Pin::Mosi)], mosi, "MOSI moved while SCK was high");
            }
        }
        prop_assert_eq!(driven, [None; 4]);
    }
}
