//! Entries: the sequence, the order of tries, what is believed, and the evidence when nothing is.

use super::chips::atmega328p;
use super::script::{Script, healthy};
use farrier::algorithm::AlgorithmError;
use farrier::algorithm::avr_spi::{AvrSpi, Entered, Evidence, NoAnswer, Rung};
use farrier::bus::{Abilities, BusError, Drive, Line, Operation, Reply, Why};
use farrier::units::{Hertz, Millivolts};
use std::time::Duration;

fn ladder(clocks: &[u32]) -> Vec<Rung> {
    clocks.iter().map(|hz| Rung { programming_clock: Hertz(*hz), clock_output: None }).collect()
}

/// In step up to this programming clock; FF above it.
fn up_to(fastest: u32) -> Script {
    Script::answering(move |instruction, clock| if clock.0 <= fastest { healthy(instruction) } else { [0xFF; 4] })
}

fn clocks_tried(script: &Script) -> Vec<u32> {
    let of = |operation: &Operation| if let Operation::SpiClock(hz) = operation { Some(hz.0) } else { None };
    script.log.iter().filter_map(of).collect()
}

fn refused(script: &mut Script, rungs: &[Rung]) -> NoAnswer {
    let chip = atmega328p();
    match AvrSpi::new(script, &chip).enter(rungs) {
        Err(AlgorithmError::NoAnswer(no_answer)) => *no_answer,
        other => panic!("{other:?}"),
    }
}

#[test]
fn the_sequence_is_the_datasheets() {
    let chip = atmega328p();
    let mut script = Script::new();
    let mut avr = AvrSpi::new(&mut script, &chip);
    let entered = avr.enter(&ladder(&[2_666_666])).unwrap();
    let expected = Entered {
        rung: Rung { programming_clock: Hertz(2_666_666), clock_output: None },
        programming_clock: Hertz(2_666_666),
        clock_output: None,
        tries: 1,
        id: [0x1E, 0x95, 0x0F],
        supply: Some(Millivolts(5000)),
    };
    assert_eq!(entered, expected);
    drop(avr);
    let reset = |drive| Operation::Line { line: Line::Reset, drive };
    let pulse = Operation::Delay(Duration::from_millis(1));
    let sequence = [
        Operation::SpiClock(Hertz(2_666_666)),
        reset(Drive::High),
        pulse,
        reset(Drive::Low),
        Operation::Delay(Duration::from_millis(20)),
        Operation::Transfer(vec![0xAC, 0x53, 0x00, 0x00]),
    ];
    assert_eq!(script.lists[1], sequence);
    // ID, calibration, low, high and extended fuse, lock: four times.
    let identity = [
        [0x30, 0, 0, 0],
        [0x30, 0, 1, 0],
        [0x30, 0, 2, 0],
        [0x38, 0, 0, 0],
        [0x50, 0, 0, 0],
        [0x58, 8, 0, 0],
        [0x50, 8, 0, 0],
        [0x58, 0, 0, 0],
    ];
    assert_eq!(script.lists[2], vec![Operation::Transfer(identity.concat()); 4]);
}

#[test]
fn the_pulse_is_wide_enough_for_the_slowest_rung() {
    let chip = atmega328p();
    let mut script = Script::new();
    // A rung at 250 Hz stands for a system clock of 1 kHz: two of its clocks are 2 ms, four are given.
    AvrSpi::new(&mut script, &chip).enter(&ladder(&[2_000_000, 250])).unwrap();
    assert_eq!(script.lists[1][2], Operation::Delay(Duration::from_millis(4)));
}

#[test]
fn the_first_rung_that_holds_is_taken_and_each_is_tried_twice() {
    let chip = atmega328p();
    let mut script = up_to(230_000);
    let entered = AvrSpi::new(&mut script, &chip).enter(&ladder(&[2_666_666, 1_840_000, 230_000, 25_600])).unwrap();
    assert_eq!((entered.programming_clock, entered.tries), (Hertz(230_000), 5));
    assert_eq!(clocks_tried(&script), [2_666_666, 2_666_666, 1_840_000, 1_840_000, 230_000]);
}

#[test]
fn one_disturbed_echo_does_not_lead_to_a_slower_clock() {
    let chip = atmega328p();
    let mut enables = 0;
    let mut script = Script::answering(move |instruction, _| {
        enables += u32::from(instruction[..2] == [0xAC, 0x53]);
        if enables == 1 { [0x00, 0x51, 0x0A, 0x00] } else { healthy(instruction) }
    });
    let entered = AvrSpi::new(&mut script, &chip).enter(&ladder(&[2_000_000, 250_000])).unwrap();
    assert_eq!((entered.programming_clock, entered.tries), (Hertz(2_000_000), 2));
}

#[test]
fn slowest_first_proves_the_chip_and_then_works_at_a_proper_pace() {
    let chip = atmega328p();
    let mut script = up_to(1_840_000);
    let entered = AvrSpi::new(&mut script, &chip).enter_slowest_first(&ladder(&[2_666_666, 1_840_000, 230_000, 3_200])).unwrap();
    assert_eq!(entered.programming_clock, Hertz(1_840_000));
    assert_eq!(clocks_tried(&script), [3_200, 2_666_666, 2_666_666, 1_840_000]);
}

#[test]
fn slowest_first_goes_back_when_nothing_faster_holds() {
    let chip = atmega328p();
    let mut script = up_to(4_000);
    let entered = AvrSpi::new(&mut script, &chip).enter_slowest_first(&ladder(&[230_000, 25_600, 3_200])).unwrap();
    assert_eq!(entered.programming_clock, Hertz(3_200));
    assert_eq!(clocks_tried(&script), [3_200, 230_000, 230_000, 25_600, 25_600, 3_200]);
}

#[test]
fn a_faster_clock_that_misreads_is_not_believed_after_the_proof() {
    let chip = atmega328p();
    // At the faster clock the high fuse reads one bit wrong, and always the same.
    let mut script = Script::answering(|instruction, clock| {
        let mut answer = healthy(instruction);
        answer[3] ^= u8::from(clock.0 > 4_000 && instruction[..2] == [0x58, 0x08]);
        answer
    });
    let entered = AvrSpi::new(&mut script, &chip).enter_slowest_first(&ladder(&[25_600, 3_200])).unwrap();
    assert_eq!(entered.programming_clock, Hertz(3_200));
}

#[test]
fn what_was_read_before_saves_reading_at_the_slowest_clock() {
    let chip = atmega328p();
    let mut script = up_to(1_840_000);
    let rungs = ladder(&[1_840_000, 3_200]);
    let mut avr = AvrSpi::new(&mut script, &chip);
    avr.enter(&rungs).unwrap();
    avr.identify().unwrap();
    let entered = avr.enter_slowest_first(&rungs).unwrap();
    assert_eq!(entered.programming_clock, Hertz(1_840_000));
    drop(avr);
    assert_eq!(clocks_tried(&script), [1_840_000, 3_200, 1_840_000]);
    let slow = script.log.iter().rposition(|operation| *operation == Operation::SpiClock(Hertz(3_200))).unwrap();
    let fast = script.log.iter().rposition(|operation| *operation == Operation::SpiClock(Hertz(1_840_000))).unwrap();
    let sent: Vec<_> = script.log[slow..fast].iter().filter(|operation| matches!(operation, Operation::Transfer(_))).collect();
    assert_eq!(sent, [&Operation::Transfer(vec![0xAC, 0x53, 0x00, 0x00])], "no more than Programming Enable");
}

#[test]
fn a_faster_clock_that_reads_otherwise_than_before_is_not_believed() {
    let chip = atmega328p();
    // The second time, the faster clock reads one bit of the high fuse wrong, and always the same.
    let mut enables = 0;
    let mut script = Script::answering(move |instruction, clock| {
        enables += u32::from(instruction[..2] == [0xAC, 0x53]);
        let mut answer = healthy(instruction);
        answer[3] ^= u8::from(enables > 1 && clock.0 > 4_000 && instruction[..2] == [0x58, 0x08]);
        answer
    });
    let rungs = ladder(&[25_600, 3_200]);
    let mut avr = AvrSpi::new(&mut script, &chip);
    avr.enter(&rungs).unwrap();
    avr.identify().unwrap();
    assert_eq!(avr.enter_slowest_first(&rungs).unwrap().programming_clock, Hertz(3_200));
}

#[test]
fn a_rung_that_reads_unsteadily_is_left() {
    let chip = atmega328p();
    let mut reads = 0;
    let mut script = Script::answering(move |instruction, clock| {
        let mut answer = healthy(instruction);
        if clock.0 > 2_000_000 && instruction[0] == 0x38 {
            reads += 1;
            // The third read of the calibration byte loses a bit.
            answer[3] ^= u8::from(reads % 4 == 3) << 2;
        }
        answer
    });
    let entered = AvrSpi::new(&mut script, &chip).enter(&ladder(&[2_666_666, 1_840_000])).unwrap();
    assert_eq!((entered.programming_clock, entered.tries), (Hertz(1_840_000), 3));
}

#[test]
fn bits_without_a_meaning_may_read_as_they_like() {
    let chip = atmega328p();
    let mut flip = 0;
    let mut script = Script::answering(move |instruction, _| {
        let mut answer = healthy(instruction);
        if instruction[..2] == [0x50, 0x08] {
            flip ^= 0xF8;
            answer[3] ^= flip;
        }
        answer
    });
    assert_eq!(AvrSpi::new(&mut script, &chip).enter(&ladder(&[2_666_666])).unwrap().tries, 1);
}

#[test]
fn an_id_of_another_chip_is_believed_only_when_slower_rungs_say_the_same() {
    let chip = atmega328p();
    let mut misread = Script::answering(|instruction, clock| {
        let mut answer = healthy(instruction);
        answer[3] |= if clock.0 > 2_000_000 && instruction[0] == 0x30 { 0x10 } else { 0 };
        answer
    });
    let entered = AvrSpi::new(&mut misread, &chip).enter(&ladder(&[2_666_666, 230_000])).unwrap();
    assert_eq!((entered.programming_clock, entered.id), (Hertz(230_000), [0x1E, 0x95, 0x0F]));

    let mut other = Script::answering(|instruction, _| match instruction {
        [0x30, _, n, _] => [0, 0x30, 0, [0x1E, 0x97, 0x05][usize::from(n)]],
        _ => healthy(instruction),
    });
    let entered = AvrSpi::new(&mut other, &chip).enter(&ladder(&[2_666_666, 230_000])).unwrap();
    assert_eq!((entered.programming_clock, entered.id), (Hertz(230_000), [0x1E, 0x97, 0x05]));
}

#[test]
fn the_clock_output_runs_only_on_its_own_rungs() {
    let chip = atmega328p();
    let fed = Some(Hertz(4_000_000));
    let rungs =
        [Rung { programming_clock: Hertz(230_000), clock_output: None }, Rung { programming_clock: Hertz(995_000), clock_output: fed }];
    let mut script = up_to(0);
    script.answer = Box::new(|instruction, clock| if clock.0 == 995_000 { healthy(instruction) } else { [0; 4] });
    let mut avr = AvrSpi::new(&mut script, &chip);
    let entered = avr.enter(&rungs).unwrap();
    assert_eq!(entered.clock_output, fed);
    drop(avr);
    let told: Vec<&Operation> = script.log.iter().filter(|o| matches!(o, Operation::ClockOutput(_))).collect();
    assert_eq!(told, [&Operation::ClockOutput(fed), &Operation::ClockOutput(None)], "on for its rung, off at release");
}

#[test]
fn evidence_names_what_the_lines_showed() {
    type Answered = fn([u8; 4]) -> [u8; 4];
    let cases: [(Answered, Evidence); 7] = [
        (|_| [0x00; 4], Evidence::AllZeros),
        (|_| [0xFF; 4], Evidence::AllOnes),
        (|sent| sent, Evidence::SentComesBack),
        // 00 AC 53 00 one bit early and one bit late.
        (|_| [0x01, 0x58, 0xA6, 0x00], Evidence::ShiftedByABit),
        (|_| [0x00, 0x56, 0x29, 0x80], Evidence::ShiftedByABit),
        (|_| [0x12, 0x34, 0x56, 0x78], Evidence::OtherBytes),
        (|sent| if sent[0] == 0xAC { [0x00, 0xAC, 0x53, 0x00] } else { [0xFF; 4] }, Evidence::BlankId),
    ];
    for (answer, evidence) in cases {
        let mut script = Script::answering(move |instruction, _| answer(instruction));
        let found = refused(&mut script, &ladder(&[2_000_000, 250_000]));
        assert_eq!(found.evidence, evidence);
        assert_eq!(found.attempts.len(), 4);
        assert!(found.attempts.iter().all(|attempt| attempt.evidence == evidence));
        assert_eq!(found.wiring.supply, Some(Millivolts(5000)));
    }
}

#[test]
fn the_most_telling_try_is_the_one_that_is_told() {
    let mut script = Script::answering(|_, clock| if clock.0 > 1_000_000 { [0xFF; 4] } else { [0x01, 0x58, 0xA6, 0x00] });
    assert_eq!(refused(&mut script, &ladder(&[2_000_000, 250_000])).evidence, Evidence::ShiftedByABit);
}

#[test]
fn no_supply_is_told_before_anything_the_lines_show() {
    let mut script = Script::answering(|_, _| [0x00; 4]);
    script.failure = Box::new(|_, operation| match operation {
        Operation::Transfer(_) => Some(BusError::Failed { operation: 0, why: Why::NoPower }),
        _ => None,
    });
    assert_eq!(refused(&mut script, &ladder(&[2_000_000])).evidence, Evidence::NoPower);
}

#[test]
fn a_board_without_a_supply_is_not_driven() {
    let mut script = Script::new();
    script.supply = Millivolts(300);
    let found = refused(&mut script, &ladder(&[2_000_000]));
    assert_eq!((found.evidence, found.attempts.len()), (Evidence::NoPower, 0));
    assert_eq!(script.log, [Operation::MeasureSupply]);
    assert!(found.to_string().starts_with("the chip was not tried, and no line was driven.\n"), "{found}");
}

#[test]
fn a_message_has_the_evidence_and_fits_the_screen() {
    for answer in [[0x00; 4], [0xFF; 4], [0x12, 0x34, 0x56, 0x78], [0x01, 0x58, 0xA6, 0x00], [0xAC, 0x53, 0x00, 0x00]] {
        let mut script = Script::answering(move |_, _| answer);
        let message = refused(&mut script, &ladder(&[2_666_666, 3_200])).to_string();
        assert!(message.lines().all(|line| line.len() <= 100), "{message}");
        assert!(message.contains("4 tries, programming clocks from 2.667 MHz down to 3.2 kHz"), "{message}");
        assert!(message.contains(&format!("{answer:02X?}")) && message.contains("Look first at"), "{message}");
        assert!(message.contains("5.0 V"), "{message}");
    }
}

#[test]
fn without_a_rung_nothing_is_touched() {
    let chip = atmega328p();
    let mut script = Script::new();
    let error = AvrSpi::new(&mut script, &chip).enter(&[]).unwrap_err();
    assert!(matches!(error, AlgorithmError::NoClockInRange { slowest: Hertz(500), fastest: Hertz(8_000_000) }), "{error:?}");
    assert!(script.log.is_empty());
}

#[test]
fn a_bridge_that_cannot_measure_is_not_asked() {
    let chip = atmega328p();
    let mut script = Script::new();
    script.abilities = Abilities { measures_supply: false, ..script.abilities };
    assert_eq!(AvrSpi::new(&mut script, &chip).enter(&ladder(&[2_000_000])).unwrap().supply, None);
    assert!(!script.log.contains(&Operation::MeasureSupply));
}

#[test]
fn an_answer_of_another_kind_is_an_error_and_no_panic() {
    let chip = atmega328p();
    let mut script = Script::new();
    script.failure = Box::new(|_, operation| match operation {
        Operation::Transfer(bytes) if bytes.len() == 32 => Some(BusError::Nonsense { what: format!("{:?}", Reply::Done) }),
        _ => None,
    });
    let error = AvrSpi::new(&mut script, &chip).enter(&ladder(&[2_000_000])).unwrap_err();
    assert!(matches!(error, AlgorithmError::Bus { source: BusError::Nonsense { .. }, .. }), "{error:?}");
}
