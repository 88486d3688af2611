//! Every kind of operation, reply and message, for property tests.

use farrier::bus::{Abilities, Drive, Line, LineLevels, Operation, Outcome, Pattern, Reply, Slot, SlotKind, Why};
use farrier::frame::{Answer, Hello, Request};
use farrier::units::{Hertz, Millivolts};
use proptest::collection::vec;
use proptest::prelude::*;
use std::time::Duration;

pub fn bytes(most: usize) -> impl Strategy<Value = Vec<u8>> {
    vec(prop_oneof![Just(0u8), any::<u8>()], 0..=most)
}

fn microseconds() -> impl Strategy<Value = Duration> {
    any::<u32>().prop_map(|us| Duration::from_micros(us.into()))
}

pub fn operation() -> impl Strategy<Value = Operation> {
    let line = prop_oneof![Just(Line::Reset), Just(Line::Power)];
    let drive = prop_oneof![Just(Drive::Low), Just(Drive::High), Just(Drive::Release)];
    let clock = (1..=u32::MAX).prop_map(Hertz);
    let poll = (vec(any::<u8>(), 1..40), any::<prop::sample::Index>(), any::<u8>(), any::<u8>(), microseconds());
    prop_oneof![
        (line, drive).prop_map(|(line, drive)| Operation::Line { line, drive }),
        clock.clone().prop_map(Operation::SpiClock),
        bytes(300).prop_map(Operation::Transfer),
        pattern().prop_map(Operation::Pattern),
        poll.prop_map(|(send, byte, mask, value, limit)| {
            let byte = u8::try_from(byte.index(send.len())).unwrap();
            Operation::Poll { send, byte, mask, value, limit }
        }),
        microseconds().prop_map(Operation::Delay),
        prop::option::of(clock).prop_map(Operation::ClockOutput),
        Just(Operation::MeasureSupply),
        Just(Operation::ReadLines),
    ]
}

/// Sound patterns of whole-byte slots and an odd counter at the end.
pub fn pattern() -> impl Strategy<Value = Pattern> {
    let kinds = vec(prop_oneof![Just(SlotKind::Counter), Just(SlotKind::Data), Just(SlotKind::Capture)], 1..8);
    (kinds, 0u8..16, 1u32..40, 0u32..70_000, 0u8..4, 1u32..300, any::<u8>()).prop_map(
        |(mut kinds, odd_width, repeat, first, outcome, every, fixed)| {
            if outcome > 0 {
                kinds.push(SlotKind::Capture);
            }
            if outcome == 2 {
                kinds.retain(|kind| *kind != SlotKind::Data);
            }
            let outcome = [Outcome::Discard, Outcome::Return, Outcome::Compare, Outcome::Crc32 { every }][usize::from(outcome)];
            let mut template = vec![fixed];
            let mut slots = Vec::new();
            for kind in kinds {
                slots.push(Slot { kind, bit: u8::try_from(template.len() * 8).unwrap(), width: 8 });
                template.push(0);
            }
            if odd_width > 0 && slots.len() < 8 {
                slots.push(Slot { kind: SlotKind::Counter, bit: u8::try_from(template.len() * 8 + 1).unwrap(), width: odd_width });
                template.extend([0, 0]);
            }
            let taking = if outcome == Outcome::Compare { SlotKind::Capture } else { SlotKind::Data };
            let data = slots.iter().filter(|slot| slot.kind == taking).count() * repeat as usize;
            let data = (0..data).map(|n| u8::try_from(n * 7 % 256).unwrap()).collect();
            Pattern { template, slots, first, repeat, data, outcome }
        },
    )
}

pub fn request() -> impl Strategy<Value = Request> {
    prop_oneof![
        any::<u32>().prop_map(|mark| Request::Hello { version: farrier::frame::VERSION, mark }),
        vec(operation(), 0..6).prop_map(Request::Run),
        Just(Request::Clear),
        Just(Request::Ask),
    ]
}

pub fn reply() -> impl Strategy<Value = Reply> {
    prop_oneof![
        Just(Reply::Done),
        bytes(300).prop_map(Reply::Bytes),
        vec(any::<u32>(), 0..70).prop_map(Reply::Crc32),
        any::<u32>().prop_map(|hz| Reply::Clock(Hertz(hz))),
        prop::option::of(any::<u16>().prop_map(Millivolts)).prop_map(Reply::Supply),
        any::<[bool; 4]>().prop_map(|[reset, sck, mosi, miso]| Reply::Lines(LineLevels { reset, sck, mosi, miso })),
    ]
}

pub fn why() -> impl Strategy<Value = Why> {
    prop_oneof![
        any::<u8>().prop_map(|last| Why::PollTimedOut { last }),
        (any::<u32>(), any::<u8>(), any::<u8>()).prop_map(|(index, expected, found)| Why::Differs { index, expected, found }),
        Just(Why::NotSupported),
        Just(Why::BadOperation),
        Just(Why::NoPower),
    ]
}

pub fn hello() -> impl Strategy<Value = Hello> {
    let numbers = (any::<u32>(), any::<u32>(), 1u8..=64, 256u32..4000, 1u32..1000, 1000u32..9_000_000, any::<u16>());
    (numbers, any::<[bool; 4]>(), "[a-zäöü ]{0,16}").prop_map(|((mark, start, window, block_bytes, slow, fast, level), flags, name)| {
        let [measures_supply, clock_output, switches_power, simulated] = flags;
        let abilities = Abilities {
            name,
            spi_clock_min: Hertz(slow),
            spi_clock_max: Hertz(fast),
            block_bytes,
            pin_level: Millivolts(level),
            measures_supply,
            clock_output,
            switches_power,
            simulated,
        };
        Hello { mark, start, window, frame_bytes: block_bytes + 68, abilities }
    })
}

pub fn answer() -> impl Strategy<Value = Answer> {
    prop_oneof![
        hello().prop_map(Answer::Hello),
        (2u16..).prop_map(|version| Answer::OtherVersion { version }),
        vec(reply(), 0..6).prop_map(Answer::Replies),
        (any::<u32>(), why()).prop_map(|(operation, why)| Answer::Failed { operation, why }),
        Just(Answer::NotBegun),
        Just(Answer::Working),
        Just(Answer::Again),
        Just(Answer::HelloFirst),
    ]
}
