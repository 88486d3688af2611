//! The sim behind its bridge, a wire and the client: what a job's lists cost, and what noise does not change.

use super::bench::{SEED, board, small};
use farrier::bus::{Bus, Drive, Line, Operation, Outcome, Pattern, Slot, SlotKind};
use farrier::link::{Client, Noise, NoisyWire, Wire};
use farrier::sim::Sim;
use farrier::units::Hertz;
use std::collections::VecDeque;
use std::time::Duration;

/// A part with its crystal chosen, so that it runs at 16 MHz.
fn fast() -> Sim {
    let sim = Sim::new(&board(), &small(), SEED);
    sim.edit(|contents| contents.fuses[0] = 0xFF);
    sim
}

fn entry() -> Vec<Operation> {
    vec![
        Operation::SpiClock(Hertz(2_666_666)),
        Operation::Line { line: Line::Reset, drive: Drive::Low },
        Operation::Delay(Duration::from_millis(20)),
        Operation::Transfer(vec![0xAC, 0x53, 0, 0]),
    ]
}

/// What page `page` is to hold.
fn page_bytes(page: u16) -> Vec<u8> {
    (0..128_u16).map(|at| (page.wrapping_mul(31) ^ at).to_le_bytes()[0] & 0x7F).collect()
}

/// Loads and writes a page of 128 bytes, and polls until it is done.
fn write_page(page: u16) -> Vec<Operation> {
    let slot = |kind, bit| Slot { kind, bit, width: 8 };
    let [high, low] = (page * 64).to_be_bytes();
    vec![
        Operation::Pattern(Pattern {
            template: vec![0x40, 0, 0, 0, 0x48, 0, 0, 0],
            slots: vec![slot(SlotKind::Counter, 16), slot(SlotKind::Counter, 48), slot(SlotKind::Data, 24), slot(SlotKind::Data, 56)],
            first: 0,
            repeat: 64,
            data: page_bytes(page),
            outcome: Outcome::Discard,
        }),
        Operation::Transfer(vec![0x4C, high, low, 0]),
        Operation::Poll { send: vec![0xF0, 0, 0, 0], byte: 3, mask: 1, value: 0, limit: Duration::from_millis(20) },
    ]
}

/// Writes the whole flash with four lists in flight; gives the time that it took.
fn write_all(wire: Box<dyn Wire>) -> Duration {
    let mut bus = Client::connect(wire).expect("the bridge answers");
    bus.run(&entry()).expect("entered");
    let start = bus.clock().now();
    let mut tickets = VecDeque::new();
    for page in 0..256 {
        tickets.push_back(bus.submit(&write_page(page)).expect("sent"));
        if tickets.len() == 4 {
            bus.collect(tickets.pop_front().expect("one is in flight")).expect("written");
        }
    }
    tickets.into_iter().for_each(|ticket| drop(bus.collect(ticket).expect("written")));
    bus.clock().now().since(start)
}

fn assert_written(sim: &Sim) {
    let expected: Vec<u8> = (0..256).flat_map(page_bytes).collect();
    assert!(sim.contents().flash == expected, "the flash differs, seed {SEED}");
    assert_eq!(sim.violations().count, 0, "{:#?}", sim.violations().list);
}

#[test]
fn a_full_write_takes_what_the_chip_takes() {
    let sim = fast();
    let took = write_all(sim.wire());
    assert_written(&sim);
    // 129 instructions of 12 us and 4.5 ms for each of 256 pages; the first block's way over the link of 1 MB/s.
    let floor = Duration::from_micros(256 * (129 * 12 + 4_500) + 128);
    let most = floor + floor / 50;
    assert!(took >= floor && took < most, "{took:?} instead of {floor:?}");
}

#[test]
fn noise_costs_time_and_nothing_else() {
    let sim = fast();
    let noise = Noise { lose_frame_in: 40, repeat_frame_in: 40, ..Noise::bytes(3_000) };
    write_all(Box::new(NoisyWire::new(sim.wire(), noise, SEED)));
    assert_written(&sim);
    assert!(sim.operations() > 4 + 256 * 3, "pages are sent in pieces where frames are lost");
}

#[test]
fn what_arrives_twice_is_carried_out_once() {
    let sim = fast();
    let noise = Noise { repeat_frame_in: 2, ..Noise::NONE };
    write_all(Box::new(NoisyWire::new(sim.wire(), noise, SEED)));
    assert_written(&sim);
    // HELLO is no operation: 4 to enter and 3 for each page.
    assert_eq!(sim.operations(), 4 + 256 * 3);
}
