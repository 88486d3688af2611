//! Exact instruction bytes of every ability, by the datasheets' tables.

use super::chips::{atmega328p, atmega2560};
use super::script::{Script, healthy};
use farrier::algorithm::avr_spi::{AvrSpi, Rung};
use farrier::algorithm::{AlgorithmError, Ending, Task};
use farrier::board::Chip;
use farrier::bus::{Drive, Line, Operation, Outcome, Pattern, Slot, SlotKind};
use farrier::image::{ByteAddress, Image, Memory, Span};
use farrier::units::Hertz;
use std::ops::ControlFlow;
use std::time::Duration;

const AT_2_MHZ: [Rung; 1] = [Rung { programming_clock: Hertz(2_000_000), clock_output: None }];

/// Enters and does `work`; then the script with what was done.
fn doing<T>(mut script: Script, chip: &Chip, work: impl FnOnce(&mut AvrSpi) -> T) -> (T, Script) {
    let mut avr = AvrSpi::new(&mut script, chip);
    avr.enter(&AT_2_MHZ).unwrap();
    let result = work(&mut avr);
    std::mem::forget(avr);
    (result, script)
}

fn on(_: u32) -> ControlFlow<()> {
    ControlFlow::Continue(())
}

fn send(bytes: [u8; 4]) -> Operation {
    Operation::Transfer(bytes.to_vec())
}

/// Four times the datasheet's maximum, and four instructions of 16 us.
fn ready(longest_us: u64) -> Operation {
    let limit = Duration::from_micros(4 * longest_us + 64);
    Operation::Poll { send: vec![0xF0, 0, 0, 0], byte: 3, mask: 0x01, value: 0, limit }
}

fn slot(kind: SlotKind, bit: u8, width: u8) -> Slot {
    Slot { kind, bit, width }
}

fn flash_load(data: Vec<u8>) -> Operation {
    use SlotKind::{Counter, Data};
    Operation::Pattern(Pattern {
        template: vec![0x40, 0, 0, 0, 0x48, 0, 0, 0],
        slots: vec![slot(Counter, 16, 8), slot(Data, 24, 8), slot(Counter, 48, 8), slot(Data, 56, 8)],
        first: 0,
        repeat: data.len() as u32 / 2,
        data,
        outcome: Outcome::Discard,
    })
}

fn flash_read(word: u32, words: u32, outcome: Outcome) -> Operation {
    use SlotKind::{Capture, Counter};
    Operation::Pattern(Pattern {
        template: vec![0x20, 0, 0, 0, 0x28, 0, 0, 0],
        slots: vec![slot(Counter, 8, 16), slot(Capture, 24, 8), slot(Counter, 40, 16), slot(Capture, 56, 8)],
        first: word,
        repeat: words,
        data: Vec::new(),
        outcome,
    })
}

fn eeprom_read(at: u32, bytes: u32, outcome: Outcome) -> Operation {
    let slots = vec![slot(SlotKind::Counter, 8, 16), slot(SlotKind::Capture, 24, 8)];
    Operation::Pattern(Pattern { template: vec![0xA0, 0, 0, 0], slots, first: at, repeat: bytes, data: Vec::new(), outcome })
}

fn eeprom_load(first: u32, data: Vec<u8>) -> Operation {
    let slots = vec![slot(SlotKind::Counter, 16, 8), slot(SlotKind::Data, 24, 8)];
    let repeat = data.len() as u32;
    Operation::Pattern(Pattern { template: vec![0xC1, 0, 0, 0], slots, first, repeat, data, outcome: Outcome::Discard })
}

fn span(start: u32, end: u32) -> Span {
    Span::new(ByteAddress(start), ByteAddress(end)).unwrap()
}

fn addresses(pages: &[u32]) -> Vec<ByteAddress> {
    pages.iter().map(|at| ByteAddress(*at)).collect()
}

#[test]
fn flash_pages_are_loaded_written_and_waited_for_in_one_list() {
    let chip = atmega328p();
    let image = Image::of(ByteAddress(0x102), &[0x11, 0x22]);
    let (ending, script) = doing(Script::new(), &chip, |avr| avr.write_flash(&image, &addresses(&[0x100, 0x7F80]), &mut on).unwrap());
    assert_eq!(ending, Ending::Complete(()));
    let mut first = vec![0xFF; 128];
    first[2..4].copy_from_slice(&[0x11, 0x22]);
    // Byte 0x100 is word 0x80, byte 0x7F80 is word 0x3FC0.
    let expected = [
        vec![flash_load(first), send([0x4C, 0x00, 0x80, 0x00]), ready(4500)],
        vec![flash_load(vec![0xFF; 128]), send([0x4C, 0x3F, 0xC0, 0x00]), ready(4500)],
    ];
    assert_eq!(script.work(), expected, "and no Load Extended Address on this part");
}

#[test]
fn above_128_kib_the_extended_address_is_loaded_at_the_start_and_at_each_crossing() {
    let chip = atmega2560();
    let image = Image::default();
    let pages = addresses(&[0x1FE00, 0x1FF00, 0x20000, 0x3FF00]);
    let (_, script) = doing(Script::new(), &chip, |avr| avr.write_flash(&image, &pages, &mut on).unwrap());
    let rest = |high, low| [flash_load(vec![0xFF; 256]), send([0x4C, high, low, 0x00]), ready(4500)];
    let expected = [
        [vec![send([0x4D, 0, 0, 0])], rest(0xFF, 0x00).to_vec()].concat(),
        rest(0xFF, 0x80).to_vec(),
        [vec![send([0x4D, 0, 1, 0])], rest(0x00, 0x00).to_vec()].concat(),
        rest(0xFF, 0x80).to_vec(),
    ];
    assert_eq!(script.work(), expected);
}

#[test]
fn several_lists_are_in_flight() {
    let chip = atmega328p();
    let pages: Vec<ByteAddress> = (0..16).map(|n| ByteAddress(n * 128)).collect();
    let (_, script) = doing(Script::new(), &chip, |avr| avr.write_flash(&Image::default(), &pages, &mut on).unwrap());
    assert!(script.most_in_flight >= 2, "{}", script.most_in_flight);
}

#[test]
fn flash_reads_are_cut_to_blocks_and_at_the_reach_of_the_address() {
    let chip = atmega2560();
    let (image, script) = doing(Script::new(), &chip, |avr| avr.read(Memory::Flash, span(0x1FFC1, 0x20041), &mut on).unwrap().so_far());
    let expected = [
        vec![send([0x4D, 0, 0, 0]), flash_read(0xFFE0, 0x20, Outcome::Return)],
        vec![send([0x4D, 0, 1, 0]), flash_read(0x10000, 0x21, Outcome::Return)],
    ];
    assert_eq!(script.work(), expected, "by whole words, each reach with its own extended address");
    assert_eq!(image.spans().collect::<Vec<_>>(), [span(0x1FFC1, 0x20041)], "and cut to what was asked");
}

#[test]
fn what_a_read_gives_stands_at_its_address() {
    let chip = atmega328p();
    let mut script = Script::new();
    script.memory = |pattern, n| (pattern.first * 2 + n) as u8;
    let (image, script) = doing(script, &chip, |avr| avr.read(Memory::Flash, span(0x201, 0x3FF), &mut on).unwrap().so_far());
    let expected: Vec<u8> = (0x201..0x3FFu32).map(|at| at as u8).collect();
    assert_eq!(image, Image::of(ByteAddress(0x201), &expected));
    let sizes = script.work().iter().map(|list| list.len()).collect::<Vec<_>>();
    assert_eq!(sizes, [1, 1], "two blocks of 256 bytes, no extended address on this part");
}

#[test]
fn checksums_are_a_page_each_and_many_in_one_operation() {
    let chip = atmega328p();
    let mut script = Script::new();
    script.abilities.block_bytes = 1024;
    let (sums, script) = doing(script, &chip, |avr| avr.checksums(Memory::Flash, span(0x90, 0x8000), &mut on).unwrap().so_far());
    // 250 ms at 2 MHz are 15625 instructions of 16 us: 122 pages of 128 bytes. The whole is 255 pages from byte 0x80 on.
    let every = Outcome::Crc32 { every: 128 };
    let expected = [
        vec![flash_read(64, 122 * 64, every)],
        vec![flash_read(64 + 122 * 64, 122 * 64, every)],
        vec![flash_read(64 + 244 * 64, 11 * 64, every)],
    ];
    assert_eq!(script.work(), expected);
    assert_eq!(sums.len(), 255);
    assert_eq!((sums[0].page, sums[254].page), (span(0x80, 0x100), span(0x7F80, 0x8000)));
    // The script numbers its checksums from the pattern's first word on.
    assert_eq!((sums[0].crc32, sums[1].crc32, sums[122].crc32), (64, 65, 64 + 122 * 64));
}

#[test]
fn checksums_above_128_kib_load_their_own_extended_address() {
    let chip = atmega2560();
    let (_, script) = doing(Script::new(), &chip, |avr| avr.checksums(Memory::Flash, span(0x1FF00, 0x20100), &mut on).unwrap());
    let every = Outcome::Crc32 { every: 256 };
    let expected =
        [vec![send([0x4D, 0, 0, 0]), flash_read(0xFF80, 128, every)], vec![send([0x4D, 0, 1, 0]), flash_read(0x10000, 128, every)]];
    assert_eq!(script.work(), expected);
}

#[test]
fn at_a_slow_clock_operations_become_short() {
    let chip = atmega328p();
    let slow = [Rung { programming_clock: Hertz(3_200), clock_output: None }];
    let mut script = Script::new();
    let mut avr = AvrSpi::new(&mut script, &chip);
    avr.enter(&slow).unwrap();
    let _ = avr.read(Memory::Eeprom, span(0, 60), &mut on).unwrap();
    drop(avr);
    // An instruction takes 10 ms, so 25 of them fit 250 ms; an even number is taken.
    let reads: Vec<u32> = script.log.iter().filter_map(|o| if let Operation::Pattern(p) = o { Some(p.repeat) } else { None }).collect();
    assert_eq!(reads, [24, 24, 12]);
}

#[test]
fn eeprom_is_read_by_bytes() {
    let chip = atmega2560();
    let (_, script) = doing(Script::new(), &chip, |avr| avr.read(Memory::Eeprom, span(0x0E01, 0x1000), &mut on).unwrap());
    assert_eq!(script.work(), [vec![eeprom_read(0x0E01, 256, Outcome::Return)], vec![eeprom_read(0x0F01, 255, Outcome::Return)]]);
    let (_, script) = doing(Script::new(), &chip, |avr| avr.checksums(Memory::Eeprom, span(8, 24), &mut on).unwrap());
    assert_eq!(script.work(), [vec![eeprom_read(8, 16, Outcome::Crc32 { every: 8 })]]);
}

#[test]
fn eeprom_is_written_by_page_by_byte_or_not_at_all() {
    let chip = atmega2560();
    let mut script = Script::new();
    // The EEPROM holds 00 everywhere.
    script.memory = |_, _| 0x00;
    let mut image = Image::of(ByteAddress(0x100), &[1, 2, 3, 4, 5, 6, 7, 8]);
    image.overwrite(ByteAddress(0x108), &[0, 0, 0, 9, 0, 0, 0, 0]);
    image.overwrite(ByteAddress(0x110), &[0, 0, 0, 0, 0, 0, 0, 0]);
    image.overwrite(ByteAddress(0x119), &[0xA, 0xB]);
    image.overwrite(ByteAddress(0x11E), &[0xC]);
    let pages = addresses(&[0x100, 0x108, 0x110, 0x118]);
    let mut told = Vec::new();
    let (ending, script) = doing(script, &chip, |avr| {
        avr.write_eeprom(&image, &pages, &mut |done| {
            told.push(done);
            ControlFlow::Continue(())
        })
        .unwrap()
    });
    let expected = [
        vec![eeprom_read(0x100, 32, Outcome::Return)],
        vec![eeprom_load(0, vec![1, 2, 3, 4, 5, 6, 7, 8]), send([0xC2, 0x01, 0x00, 0x00]), ready(3600)],
        vec![send([0xC0, 0x01, 0x0B, 0x09]), ready(3600)],
        vec![eeprom_load(1, vec![0xA, 0xB]), eeprom_load(6, vec![0xC]), send([0xC2, 0x01, 0x18, 0x00]), ready(3600)],
    ];
    assert_eq!(script.work(), expected);
    assert_eq!(ending, Ending::Complete(()));
    assert_eq!(told, [8, 16, 32], "the page that is right already counts with the next");
}

#[test]
fn configuration_is_written_a_byte_alone_and_all_bytes_are_read_back() {
    let chip = atmega328p();
    let cases = [(0, 0xF7, [0xAC, 0xA0, 0x00, 0xF7]), (1, 0xD0, [0xAC, 0xA8, 0x00, 0xD0]), (2, 0x05, [0xAC, 0xA4, 0x00, 0xFD])];
    for (byte, value, instruction) in cases {
        let mut fuses = [0x62, 0xD9, 0xFF];
        let script = Script::answering(move |sent, _| {
            match sent {
                [0xAC, 0xA0, _, value] => fuses[0] = value,
                [0xAC, 0xA8, _, value] => fuses[1] = value,
                [0xAC, 0xA4, _, value] => fuses[2] = value,
                [0x50, 0x00, ..] => return [0, 0, 0, fuses[0]],
                [0x58, 0x08, ..] => return [0, 0, 0, fuses[1]],
                [0x50, 0x08, ..] => return [0, 0, 0, fuses[2]],
                _ => {}
            }
            healthy(sent)
        });
        let (identity, script) = doing(script, &chip, |avr| avr.write_configuration(byte, value).unwrap());
        assert_eq!(script.work(), [vec![send(instruction), ready(4500)]], "unused bits go out as 1");
        assert_eq!(identity.configuration[byte], instruction[3]);
    }
}

#[test]
fn a_byte_that_is_not_taken_or_another_that_changes_is_told() {
    let chip = atmega328p();
    let (error, _) = doing(Script::new(), &chip, |avr| avr.write_configuration(0, 0xF7).unwrap_err());
    assert!(matches!(error, AlgorithmError::NotTaken { written: 0xF7, found: 0x62, used: 0xFF, .. }), "{error}");

    let mut written = false;
    let script = Script::answering(move |sent, _| {
        written |= sent[..2] == [0xAC, 0xA0];
        match sent {
            [0x50, 0x00, ..] if written => [0, 0, 0, 0xF7],
            [0x58, 0x08, ..] if written => [0, 0, 0, 0xD8],
            _ => healthy(sent),
        }
    });
    let (error, _) = doing(script, &chip, |avr| avr.write_configuration(0, 0xF7).unwrap_err());
    assert!(matches!(error, AlgorithmError::OtherByteChanged { byte: 1, before: 0xD9, after: 0xD8, .. }), "{error}");

    let (error, script) = doing(Script::new(), &chip, |avr| avr.write_configuration(3, 0xFF).unwrap_err());
    assert!(matches!(error, AlgorithmError::NoSuchByte { byte: 3 }), "{error}");
    assert!(script.work().is_empty());
}

#[test]
fn lock_is_written_with_its_unused_bits_1_and_read_back_under_the_mask() {
    let chip = atmega328p();
    let mut lock = 0xFF;
    let script = Script::answering(move |sent, _| {
        if sent[..2] == [0xAC, 0xE0] {
            lock = sent[3];
        }
        // The two top bits read as anything.
        if sent[..2] == [0x58, 0x00] { [0, 0, 0, lock & 0x3F] } else { healthy(sent) }
    });
    let (identity, script) = doing(script, &chip, |avr| avr.write_lock(0x2F).unwrap());
    assert_eq!(script.work(), [vec![send([0xAC, 0xE0, 0x00, 0xEF]), ready(4500)]]);
    assert_eq!(identity.lock, 0x2F);

    let (error, _) = doing(Script::new(), &chip, |avr| avr.write_lock(0x2F).unwrap_err());
    assert!(matches!(error, AlgorithmError::NotTaken { task: Task::WritingLock, written: 0xEF, found: 0xFF, used: 0x3F }), "{error}");
}

#[test]
fn chip_erase_waits_and_enters_again_with_a_pulse_at_the_same_clock() {
    let chip = atmega328p();
    let (_, script) = doing(Script::new(), &chip, |avr| avr.erase().unwrap());
    let at = script.lists.iter().position(|list| list.first() == Some(&send([0xAC, 0x80, 0x00, 0x00]))).unwrap();
    assert_eq!(script.lists[at], [send([0xAC, 0x80, 0x00, 0x00]), ready(9000)]);
    let after = script.lists[at + 1..].iter().find(|list| list.len() > 1).unwrap();
    assert_eq!(after[0], Operation::SpiClock(Hertz(2_000_000)));
    assert!(after.contains(&Operation::Line { line: Line::Reset, drive: Drive::High }));
    assert_eq!(after.last(), Some(&send([0xAC, 0x53, 0x00, 0x00])));
    assert_eq!(script.reset(), Some(Drive::Low), "still held in reset");
}

#[test]
fn a_chip_that_stays_busy_is_told_with_the_limit() {
    let chip = atmega328p();
    let script = Script::answering(|sent, _| if sent[0] == 0xF0 { [0, 0, 0, 0xFF] } else { healthy(sent) });
    let (error, _) = doing(script, &chip, |avr| avr.write_flash(&Image::default(), &addresses(&[0x80]), &mut on).unwrap_err());
    match error {
        AlgorithmError::StillBusy { task: Task::Writing(Memory::Flash, page), limit, last: 0xFF } => {
            assert_eq!((page, limit), (span(0x80, 0x100), Duration::from_micros(18_064)));
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn locks_are_heeded_before_reading_and_writing() {
    let chip = atmega328p();
    let locked = |lock: u8| Script::answering(move |sent, _| if sent[..2] == [0x58, 0x00] { [0, 0, 0, lock] } else { healthy(sent) });
    let page = addresses(&[0]);
    // Mode 2 forbids writing, mode 3 both.
    let (read, script) = doing(locked(0xFE), &chip, |avr| avr.read(Memory::Flash, span(0, 128), &mut on).is_ok());
    assert!(read && !script.work().is_empty());
    for memory in [Memory::Flash, Memory::Eeprom] {
        let (error, script) = doing(locked(0xFC), &chip, |avr| avr.read(memory, span(0, 128), &mut on).unwrap_err());
        assert!(matches!(error, AlgorithmError::Locked { lock: 0xFC, .. }) && script.work().is_empty(), "{error}");
        let (error, _) = doing(locked(0xFC), &chip, |avr| avr.checksums(memory, span(0, 128), &mut on).unwrap_err());
        assert!(matches!(error, AlgorithmError::Locked { .. }), "{error}");
    }
    let (error, script) = doing(locked(0xFE), &chip, |avr| avr.write_flash(&Image::default(), &page, &mut on).unwrap_err());
    assert!(matches!(error, AlgorithmError::Locked { lock: 0xFE, .. }) && script.work().is_empty(), "{error}");
    let (error, script) = doing(locked(0xFE), &chip, |avr| avr.write_eeprom(&Image::default(), &page, &mut on).unwrap_err());
    assert!(matches!(error, AlgorithmError::Locked { lock: 0xFE, .. }) && script.work().is_empty(), "{error}");
}

#[test]
fn a_stop_finishes_what_is_in_hand_and_says_how_far_it_got() {
    let chip = atmega328p();
    let stop = |_| ControlFlow::Break(());
    let pages: Vec<ByteAddress> = (0..16).map(|n| ByteAddress(n * 128)).collect();
    let (ending, script) = doing(Script::new(), &chip, |avr| avr.write_flash(&Image::default(), &pages, &mut { stop }).unwrap());
    let written = script.work().len() as u32;
    assert!((1..16).contains(&written), "{written}");
    assert_eq!(ending, Ending::Stopped { so_far: (), bytes: written * 128 });
    assert!(script.work().iter().all(|list| matches!(list.last(), Some(Operation::Poll { .. }))), "every page begun was waited for");

    let (ending, _) = doing(Script::new(), &chip, |avr| avr.read(Memory::Flash, span(0, 0x8000), &mut { stop }).unwrap());
    match ending {
        Ending::Stopped { so_far, bytes } => assert_eq!(so_far.spans().collect::<Vec<_>>(), [span(0, bytes)]),
        Ending::Complete(_) => panic!("not stopped"),
    }
    let large = atmega2560();
    let (ending, _) = doing(Script::new(), &large, |avr| avr.checksums(Memory::Flash, Span::first(0x40000), &mut { stop }).unwrap());
    match ending {
        Ending::Stopped { so_far, bytes } => assert_eq!(so_far.len() as u32 * 256, bytes),
        Ending::Complete(_) => panic!("not stopped"),
    }
    let (ending, _) = doing(Script::new(), &chip, |avr| avr.write_flash(&Image::default(), &pages[..1], &mut { stop }).unwrap());
    assert_eq!(ending, Ending::Complete(()), "a stop after the last page comes too late to matter");
}

#[test]
fn callers_mistakes_touch_nothing() {
    let chip = atmega328p();
    let image = Image::default();
    let (error, script) = doing(Script::new(), &chip, |avr| avr.write_flash(&image, &addresses(&[0x81]), &mut on).unwrap_err());
    assert!(matches!(error, AlgorithmError::NotAPage { at: ByteAddress(0x81), page: 128, .. }) && script.work().is_empty(), "{error}");
    let (error, script) = doing(Script::new(), &chip, |avr| avr.write_flash(&image, &addresses(&[0x8000]), &mut on).unwrap_err());
    assert!(matches!(error, AlgorithmError::OutsideMemory { size: 0x8000, .. }) && script.work().is_empty(), "{error}");
    let (error, _) = doing(Script::new(), &chip, |avr| avr.write_eeprom(&image, &addresses(&[0x400]), &mut on).unwrap_err());
    assert!(matches!(error, AlgorithmError::OutsideMemory { size: 0x400, .. }), "{error}");
    let (error, _) = doing(Script::new(), &chip, |avr| avr.read(Memory::Eeprom, span(0x3FF, 0x401), &mut on).unwrap_err());
    assert!(matches!(error, AlgorithmError::OutsideMemory { size: 0x400, .. }), "{error}");
    let (error, _) = doing(Script::new(), &chip, |avr| avr.read(Memory::Lock, span(0, 1), &mut on).unwrap_err());
    assert!(matches!(error, AlgorithmError::OutsideMemory { size: 0, .. }), "{error}");

    let mut script = Script::new();
    let error = AvrSpi::new(&mut script, &chip).identify().unwrap_err();
    assert!(matches!(error, AlgorithmError::NotEntered { task: Task::Identifying }) && script.log.is_empty(), "{error}");
}
