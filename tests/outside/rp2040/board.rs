//! What the firmware does at its pins: a safe start, clocks as they are asked for, the supply, and letting go when the host is gone.

use super::emulated::{Emulated, Level, Notes, Pipe};
use farrier::bus::{Abilities, Bus, BusError, Drive, Line, Operation, Reply};
use farrier::link::{Client, Wire};
use farrier::units::{Hertz, Millivolts};
use std::cell::RefCell;
use std::rc::Rc;
use std::time::Duration;

const RESET_LOW: Operation = Operation::Line { line: Line::Reset, drive: Drive::Low };

/// HELLO as the definition's worked examples have it on the wire.
const HELLO: [u8; 12] = [0x02, 0x01, 0x01, 0x08, 0x01, 0x12, 0x34, 0x56, 0x78, 0x97, 0x6F, 0x00];

/// A session with a bridge that has nothing at its pins.
fn session(bridge: Emulated) -> Client {
    Client::connect(Box::new(bridge)).unwrap()
}

fn noted(pipe: Pipe) -> (Emulated, Rc<RefCell<Notes>>) {
    let notes = Rc::new(RefCell::new(Notes::default()));
    (Emulated::with(pipe, notes.clone()), notes)
}

#[test]
fn it_starts_with_every_line_let_go_and_nothing_pulled() {
    let (mut bridge, notes) = noted(Pipe::Serial);
    let settings = bridge.pin_settings();
    for pin in ["MISO", "RESET", "SCK", "MOSI", "CLOCK_OUTPUT", "SUPPLY"] {
        assert_eq!((&settings[pin]["driven"], &settings[pin]["pulled"]), (&false.into(), &false.into()), "{pin}");
    }
    let notes = notes.borrow();
    assert!(notes.resets.is_empty() && notes.bytes.is_empty() && notes.clocks.is_empty());
}

#[test]
fn both_interfaces_open_a_session_and_tell_the_same_abilities() {
    let expected = Abilities {
        name: "Farrier bridge RP2040".into(),
        spi_clock_min: Hertz(1_968),
        spi_clock_max: Hertz(8_000_000),
        block_bytes: 1024,
        pin_level: Millivolts(3_300),
        measures_supply: true,
        clock_output: true,
        switches_power: false,
        simulated: false,
    };
    for pipe in [Pipe::Serial, Pipe::Vendor] {
        assert_eq!(*session(Emulated::start(pipe)).abilities(), expected, "{pipe:?}");
    }
}

#[test]
fn a_program_that_fetches_no_answers_from_one_interface_does_not_stop_the_other() {
    for pipe in [Pipe::Serial, Pipe::Vendor] {
        let mut bridge = Emulated::start(pipe);
        for _ in 0..3 {
            bridge.send_to_the_other(&HELLO);
        }
        bridge.send_to_the_other(&HELLO[..7]);
        bridge.pass(Duration::from_millis(100));
        let start = bridge.clock().now();
        let client = session(bridge);
        assert!(client.clock().now().since(start) < Duration::from_millis(50), "{pipe:?}: at the first try");
    }
}

#[test]
fn a_bus_reset_in_the_middle_is_survived_and_the_next_session_begins_with_every_line_let_go() {
    let (mut bridge, notes) = noted(Pipe::Serial);
    bridge.send(&HELLO).unwrap();
    // Of the worked examples too: reset low, SPI clock, a wait, four bytes.
    let enter =
        [0x02, 0x02, 0x02, 0x01, 0x0D, 0x02, 0xC8, 0xD0, 0x07, 0x05, 0xA0, 0x9C, 0x01, 0x03, 0x04, 0xAC, 0x53, 0x01, 0x03, 0xCF, 0x36, 0];
    bridge.send(&enter).unwrap();
    bridge.pass(Duration::from_millis(100));
    assert_eq!(notes.borrow().resets.len(), 1, "held");
    bridge.send(&enter[..9]).unwrap();
    bridge.reset_bus();
    let mut client = session(bridge);
    let levels: Vec<_> = notes.borrow().resets.iter().map(|(_, level)| *level).collect();
    assert_eq!(levels, [Level::Low, Level::Released]);
    client.run(&[RESET_LOW, Operation::Transfer(vec![0x5A])]).unwrap();
    assert_eq!(notes.borrow().bytes.last().map(|(_, _, byte)| *byte), Some(0x5A));
}

#[test]
fn answers_of_any_length_arrive_at_once() {
    for pipe in [Pipe::Serial, Pipe::Vendor] {
        let mut client = session(Emulated::start(pipe));
        let clock = client.clock();
        client.run(&[RESET_LOW, Operation::SpiClock(Hertz(8_000_000))]).unwrap();
        // Among these are answers that fill whole packets; an empty one must end them.
        for size in (50..70).chain(115..135) {
            let begun = clock.now();
            client.run(&[Operation::Transfer(vec![0; size])]).unwrap();
            let took = clock.now().since(begun);
            assert!(took < Duration::from_millis(2), "{pipe:?}, {size} bytes: {took:?}");
        }
    }
}

#[test]
fn it_makes_the_nearest_spi_clock_that_is_not_above_the_one_asked_for() {
    let (bridge, notes) = noted(Pipe::Serial);
    let mut client = session(bridge);
    // 128 MHz over an even number, and from 510 on over a product of an even number up to 254 and a number up to 256.
    let cases = [
        (u32::MAX, 8_000_000),
        (8_000_000, 8_000_000),
        (7_999_999, 7_111_111),
        (2_666_666, 2_666_666),
        (1_840_000, 1_828_571),
        (230_000, 229_390),
        (25_600, 25_600),
        (3_200, 3_200),
        (1_968, 1_968),
    ];
    for (asked, made) in cases {
        let list = [RESET_LOW, Operation::SpiClock(Hertz(asked)), Operation::Transfer(vec![0x5A])];
        assert_eq!(client.run(&list).unwrap()[1], Reply::Clock(Hertz(made)), "{asked} Hz");
        assert_eq!(notes.borrow().bytes.last().map(|(_, sck, byte)| (*sck, *byte)), Some((Hertz(made), 0x5A)), "{asked} Hz");
    }
    assert!(client.run(&[Operation::SpiClock(Hertz(1_967))]).is_err(), "slower than the slowest");
}

#[test]
fn spi_bytes_follow_each_other_without_a_gap() {
    let (bridge, notes) = noted(Pipe::Serial);
    let mut client = session(bridge);
    client.run(&[RESET_LOW, Operation::SpiClock(Hertz(2_000_000)), Operation::Transfer(vec![0; 200])]).unwrap();
    let begun: Vec<_> = notes.borrow().bytes.iter().map(|(at, _, _)| *at).collect();
    assert_eq!(begun.len(), 200);
    let took = begun[199].since(begun[0]);
    assert!(took <= Duration::from_micros(199 * 4 * 101 / 100), "{took:?} for 199 bytes of 4 microseconds");
}

#[test]
fn the_clock_output_is_a_whole_part_of_the_system_clock() {
    let (bridge, notes) = noted(Pipe::Serial);
    let mut client = session(bridge);
    for (asked, made) in [(1_000_000, 1_000_000), (3_000_000, 2_976_744), (100_000_000, 32_000_000), (8, 8)] {
        client.run(&[Operation::ClockOutput(Some(Hertz(asked)))]).unwrap();
        assert_eq!(notes.borrow().clocks.last().and_then(|(_, hz)| *hz), Some(Hertz(made)), "{asked} Hz");
    }
    client.run(&[Operation::ClockOutput(None)]).unwrap();
    assert_eq!(notes.borrow().clocks.last().map(|(_, hz)| *hz), Some(None));
}

#[test]
fn the_supply_is_measured_to_a_hundredth_of_a_volt() {
    for millivolts in [0, 1_800, 3_300, 5_000, 5_500] {
        let mut bridge = Emulated::start(Pipe::Serial);
        bridge.set_supply(Millivolts(millivolts));
        let replies = session(bridge).run(&[Operation::MeasureSupply]).unwrap();
        let [Reply::Supply(Some(measured))] = replies[..] else { panic!("{replies:?}") };
        assert!(measured.0.abs_diff(millivolts) <= 10, "{millivolts} mV: {measured:?}");
    }
}

#[test]
fn it_lets_go_when_the_host_is_silent_for_five_seconds() {
    let (bridge, notes) = noted(Pipe::Vendor);
    let mut client = session(bridge);
    let clock = client.clock();
    client.run(&[RESET_LOW, Operation::ClockOutput(Some(Hertz(1_000_000)))]).unwrap();
    clock.wait_until(clock.now().plus(Duration::from_millis(4_900)));
    client.run(&[Operation::ReadLines]).unwrap();
    assert_eq!(notes.borrow().resets.len(), 1, "held: the host was heard in time");
    let heard = clock.now();
    clock.wait_until(heard.plus(Duration::from_millis(5_200)));
    assert!(matches!(client.run(&[Operation::ReadLines]), Err(BusError::Restarted)));
    let (at, level) = notes.borrow().resets[1];
    assert_eq!(level, Level::Released);
    let silence = at.since(heard);
    assert!((Duration::from_millis(4_990)..Duration::from_millis(5_050)).contains(&silence), "{silence:?}");
    assert_eq!(notes.borrow().clocks.last().map(|(_, hz)| *hz), Some(None));
}
