//! Flash, EEPROM, fuses and lock bits.

use super::bench::{Bench, large, small};
use farrier::board::{Chip, Field};
use farrier::image::{ByteAddress, Span};

#[test]
fn a_page_is_loaded_written_and_read_back() {
    let mut bench = Bench::entered(&small());
    for word in 0..64 {
        bench.load_word(word, 0x1000 + u16::from(word));
    }
    bench.write([0x4C, 0x00, 0x40, 0]);
    assert_eq!(bench.read_word(0x40), 0x1000);
    assert_eq!(bench.read_word(0x7F), 0x103F);
    assert_eq!(bench.read_word(0x3F), 0xFFFF);
    assert_eq!(bench.read_word(0x80), 0xFFFF);
    let flash = bench.sim.contents().flash;
    assert_eq!(&flash[128..132], [0x00, 0x10, 0x01, 0x10]);
    bench.assert_clean();
}

#[test]
fn the_page_buffer_is_blank_after_a_write() {
    let mut bench = Bench::entered(&small());
    bench.load_word(0, 0x1234);
    bench.write([0x4C, 0, 0, 0]);
    bench.load_word(1, 0x5678);
    bench.write([0x4C, 0, 0x40, 0]);
    assert_eq!(bench.read_word(0x40), 0xFFFF);
    assert_eq!(bench.read_word(0x41), 0x5678);
}

#[test]
fn a_write_only_clears_bits_until_an_erase() {
    let mut bench = Bench::entered(&small());
    bench.load_word(0, 0x0FF0);
    bench.write([0x4C, 0, 0, 0]);
    bench.load_word(0, 0x3C3C);
    bench.write([0x4C, 0, 0, 0]);
    assert_eq!(bench.read_word(0), 0x0C30);
    bench.write([0xAC, 0x80, 0, 0]);
    assert_eq!(bench.read_word(0), 0xFFFF);
    bench.assert_clean();
}

#[test]
fn the_high_byte_before_the_low_one_is_a_violation() {
    let mut bench = Bench::entered(&small());
    bench.send(&[0x48, 0, 3, 0x55]);
    bench.send(&[0x40, 0, 3, 0xAA]);
    bench.assert_only("before its low byte");
    bench.write([0x4C, 0, 0, 0]);
    assert_ne!(bench.read_word(3), 0x55AA);
}

/// The sim cannot know what a chip runs on with such a code, so nothing may go there unseen.
#[test]
fn a_clock_code_of_which_the_chip_file_says_nothing_is_a_violation() {
    for (incomplete, low, forbidden) in [(true, 0x65, true), (true, 0x63, false), (false, 0x65, false)] {
        let mut chip = small();
        chip.fields[0].incomplete = incomplete;
        let mut bench = Bench::entered(&chip);
        bench.write([0xAC, 0xA0, 0, low]);
        match forbidden {
            true => bench.assert_only("CKSEL3..0 is set to 0b0101"),
            false => bench.assert_clean(),
        }
        // Once it stands there, what else is set in its byte is no step into the unknown.
        assert_eq!(bench.sim.contents().fuses[0], low);
    }
}

#[test]
fn busy_lasts_as_long_as_the_datasheet_says() {
    let of = |name: &str| Chip { part: name.into(), ..small() };
    let (page, byte, erase, fuse) = ([0x4C, 0, 0, 0], [0xC0, 0, 0, 1], [0xAC, 0x80, 0, 0], [0xAC, 0xA0, 0, 0x62]);
    for (part, instruction, us) in [
        // 8271
        ("ATmega328P", page, 4_500_u64),
        ("ATmega328P", byte, 3_600),
        ("ATmega328P", erase, 9_000),
        ("ATmega328P", fuse, 4_500),
        // 42073
        ("ATmega64RFR2", page, 4_500),
        ("ATmega64RFR2", byte, 13_000),
        ("ATmega64RFR2", erase, 18_500),
        // 2593, 42716, 8209, 8183
        ("ATmega644", byte, 9_000),
        ("ATmega644A", erase, 12_000),
        ("ATmega32M1", erase, 10_500),
        ("ATtiny84A", byte, 4_000),
    ] {
        let mut bench = Bench::entered(&of(part));
        bench.send(&instruction);
        let start = bench.bus_time();
        let mut polls = 0;
        while bench.ask([0xF0, 0, 0, 0]) & 1 == 1 {
            polls += 1;
        }
        let took = bench.bus_time().since(start).as_micros() as u64;
        assert!(polls > 0 && took >= us && took < us + 500, "{instruction:02X?} took {took} us");
        bench.assert_clean();
    }
}

#[test]
fn an_instruction_while_busy_spoils_the_write() {
    let mut bench = Bench::entered(&small());
    for word in 0..64 {
        bench.load_word(word, 0);
    }
    bench.send(&[0x4C, 0, 0, 0]);
    bench.send(&[0x30, 0, 0, 0]);
    bench.assert_only("during a self-timed write");
    let flash = bench.sim.contents().flash;
    assert!(flash[..128].iter().any(|byte| *byte != 0), "not all of the page is written");
    assert!(flash[128..].iter().all(|byte| *byte == 0xFF), "nothing outside the page");
}

#[test]
fn above_128_kib_the_extended_address_chooses_the_half() {
    let mut bench = Bench::entered(&large());
    bench.send(&[0x4D, 0, 1, 0]);
    bench.load_word(0, 0xABCD);
    bench.write([0x4C, 0, 0, 0]);
    assert_eq!(bench.read_word(0), 0xABCD);
    bench.send(&[0x4D, 0, 0, 0]);
    assert_eq!(bench.read_word(0), 0xFFFF);
    assert_eq!(&bench.sim.contents().flash[0x20000..0x20002], [0xCD, 0xAB]);
    bench.assert_clean();
    bench.send(&[0x4D, 0, 2, 0]);
    bench.write([0x4C, 0, 0, 0]);
    bench.assert_only("beyond the flash");
}

#[test]
fn without_the_extended_address_the_upper_half_mirrors_the_lower() {
    let mut bench = Bench::entered(&large());
    bench.load_word(0, 0x1111);
    bench.write([0x4C, 0, 0, 0]);
    bench.send(&[0x4D, 0, 1, 0]);
    assert!(bench.enter(200_000), "a new entry");
    assert_eq!(bench.read_word(0), 0x1111);
}

#[test]
fn eeprom_bytes_and_pages_erase_for_themselves() {
    let mut bench = Bench::entered(&small());
    bench.write([0xC0, 0, 5, 0x0F]);
    bench.write([0xC0, 0, 5, 0xF0]);
    assert_eq!(bench.ask([0xA0, 0, 5, 0]), 0xF0);
    bench.send(&[0xC1, 0, 0, 0x77]);
    bench.send(&[0xC1, 0, 3, 0x88]);
    bench.write([0xC2, 0, 4, 0]);
    assert_eq!(&bench.sim.contents().eeprom[3..9], [0xFF, 0x77, 0xF0, 0xFF, 0x88, 0xFF]);
    bench.assert_clean();
}

#[test]
fn eeprom_writes_out_of_place_are_violations() {
    let mut bench = Bench::entered(&small());
    bench.write([0xC2, 0, 5, 0]);
    bench.assert_only("not aligned");
    let mut bench = Bench::entered(&small());
    bench.write([0xC0, 4, 0, 0]);
    bench.assert_only("beyond the EEPROM");
    let mut bench = Bench::entered(&small());
    bench.send(&[0xC1, 0, 4, 0]);
    bench.assert_only("outside the page");
}

#[test]
fn chip_erase_spares_the_eeprom_where_eesave_is_programmed_at_once() {
    let mut bench = Bench::entered(&small());
    bench.write([0xC0, 0, 0, 0x42]);
    bench.write([0xAC, 0xA8, 0, 0xD1]);
    bench.write([0xAC, 0x80, 0, 0]);
    assert_eq!(bench.ask([0xA0, 0, 0, 0]), 0x42);
    bench.write([0xAC, 0xA8, 0, 0xD9]);
    bench.write([0xAC, 0x80, 0, 0]);
    assert_eq!(bench.ask([0xA0, 0, 0, 0]), 0xFF);
    bench.assert_clean();
}

#[test]
fn lock_bits_only_go_down_until_an_erase() {
    let mut bench = Bench::entered(&small());
    bench.write([0xAC, 0xE0, 0, 0xCF]);
    bench.write([0xAC, 0xE0, 0, 0xFF]);
    assert_eq!(bench.ask([0x58, 0, 0, 0]), 0xCF);
    bench.write([0xAC, 0x80, 0, 0]);
    assert_eq!(bench.ask([0x58, 0, 0, 0]), 0xFF);
    bench.assert_clean();
    bench.write([0xAC, 0xE0, 0, 0x3F]);
    bench.assert_only("unused bits");
}

#[test]
fn lock_mode_2_reads_but_does_not_write() {
    let mut bench = Bench::entered(&small());
    bench.load_word(0, 0x4711);
    bench.write([0x4C, 0, 0, 0]);
    bench.write([0xAC, 0xE0, 0, 0xFE]);
    assert_eq!(bench.read_word(0), 0x4711);
    bench.assert_clean();
    for write in [[0x4C, 0, 0x40, 0], [0xC0, 0, 0, 1], [0xC2, 0, 0, 0], [0xAC, 0xA0, 0, 0xE2]] {
        bench.write(write);
    }
    let violations = bench.sim.violations();
    assert_eq!(violations.count, 4, "{:#?}", violations.list);
    assert!(violations.list.iter().all(|one| one.text.contains("locked chip")), "{:#?}", violations.list);
    assert_eq!(bench.ask([0x50, 0, 0, 0]), 0x62);
    bench.write([0xAC, 0xE0, 0, 0xFC]);
    assert_eq!(bench.ask([0x58, 0, 0, 0]), 0xFC, "mode 2 may go on to mode 3");
}

#[test]
fn lock_mode_3_gives_stand_ins_and_keeps_the_lock_byte() {
    let mut bench = Bench::entered(&small());
    bench.load_word(0x12, 0x4711);
    bench.write([0x4C, 0, 0, 0]);
    bench.write([0xAC, 0xE0, 0, 0xFC]);
    assert_ne!(bench.read_word(0x12), 0x4711);
    assert_ne!(bench.ask([0xA0, 0, 0, 0]), 0xFF);
    assert_eq!(bench.id(), [0x1E, 0x95, 0x0F]);
    assert_eq!(bench.ask([0x50, 0, 0, 0]), 0x62);
    bench.assert_clean();
    bench.write([0xAC, 0xE0, 0, 0xC0]);
    bench.assert_only("lock mode 3");
    assert_eq!(bench.ask([0x58, 0, 0, 0]), 0xFC);
    bench.write([0xAC, 0x80, 0, 0]);
    assert_eq!((bench.read_word(0x12), bench.ask([0x58, 0, 0, 0])), (0xFFFF, 0xFF));
}

#[test]
fn spien_cannot_be_reached_in_serial_mode() {
    let mut bench = Bench::entered(&small());
    bench.write([0xAC, 0xA8, 0, 0xFF]);
    assert_eq!(bench.ask([0x58, 0x08, 0, 0]), 0xDF);
    assert!(bench.enter(200_000));
    bench.assert_clean();
}

#[test]
fn unused_fuse_bits_and_unknown_instructions_are_violations() {
    let mut bench = Bench::entered(&small());
    bench.write([0xAC, 0xA4, 0, 0x05]);
    bench.assert_only("unused bits");
    let mut bench = Bench::entered(&small());
    bench.send(&[0x99, 0, 0, 0]);
    bench.assert_only("99 00 00 00 is not an instruction");
}

#[test]
fn releasing_reset_during_an_erase_leaves_it_half_done() {
    let mut bench = Bench::entered(&small());
    bench.sim.edit(|contents| contents.flash.fill(0));
    bench.write([0xAC, 0xE0, 0, 0xCF]);
    bench.send(&[0xAC, 0x80, 0, 0]);
    bench.reset(farrier::bus::Drive::High);
    bench.assert_only("released during a self-timed write");
    let contents = bench.sim.contents();
    assert!(contents.flash.contains(&0) && contents.flash.iter().any(|byte| *byte != 0));
    assert_eq!(contents.lock, 0xCF, "the lock bits go last");
}

#[test]
fn the_calibration_byte_is_the_chips_own_and_stays() {
    let mut bench = Bench::entered(&small());
    let calibration = bench.ask([0x38, 0, 0, 0]);
    assert_eq!(calibration, bench.sim.contents().calibration);
    bench.write([0xAC, 0x80, 0, 0]);
    assert_eq!(bench.ask([0x38, 0, 0, 0]), calibration);
}

#[test]
fn a_fuse_byte_that_the_part_lacks_reads_blank_and_cannot_be_written() {
    let mut chip = small();
    chip.configuration.truncate(2);
    let mut bench = Bench::entered(&chip);
    assert_eq!(bench.ask([0x50, 0x08, 0, 0]), 0xFF);
    bench.assert_clean();
    bench.write([0xAC, 0xA4, 0, 0xFE]);
    bench.assert_only("which this part does not have");
}

/// A part of which a fuse, bit 7 of the high byte, locks the last 512 bytes of the EEPROM. EESAVE stays as it is.
fn with_eelock() -> Chip {
    let mut chip = small();
    let save = chip.fields.iter().find(|field| field.symbol == "EESAVE").expect("a field").clone();
    let mut values = save.values.clone();
    values[0].locks_eeprom = Span::new(ByteAddress(512), ByteAddress(1024));
    chip.fields.push(Field { name: "upper-eeprom".into(), symbol: "EELOCK".into(), role: None, mask: 0x80, values, ..save });
    chip
}

/// Fuses are latched as RESET goes high, so the write that locks is followed by one that still works.
#[test]
fn locked_eeprom_ignores_what_is_written_once_the_fuse_is_in_force() {
    let mut bench = Bench::entered(&with_eelock());
    bench.write([0xAC, 0xA8, 0, 0x59]);
    bench.write([0xC0, 0x02, 0x00, 0x11]);
    bench.assert_clean();
    assert!(bench.enter(200_000));
    bench.write([0xC0, 0x01, 0xFF, 0x22]);
    bench.assert_clean();
    bench.write([0xC0, 0x02, 0x00, 0x33]);
    bench.assert_only("which a fuse locks");
    bench.send(&[0xC1, 0, 0, 0x44]);
    bench.write([0xC2, 0x02, 0x04, 0]);
    let eeprom = bench.sim.contents().eeprom;
    assert_eq!((eeprom[511], eeprom[512], eeprom[516]), (0x22, 0x11, 0xFF));
    // Opened, and latched again, it is written.
    bench.write([0xAC, 0xA8, 0, 0xD9]);
    assert!(bench.enter(200_000));
    bench.write([0xC0, 0x02, 0x00, 0x33]);
    assert_eq!(bench.sim.contents().eeprom[512], 0x33);
}

/// No document that was read says which, so a host must bear both.
#[test]
fn an_erase_takes_locked_eeprom_one_time_and_another_time_not() {
    let mut taken = 0;
    for seed in 0..40 {
        let mut bench = Bench::entered(&with_eelock());
        bench.sim.edit(|contents| {
            contents.eeprom.fill(seed);
            contents.fuses[1] &= 0x7F;
        });
        assert!(bench.enter(200_000));
        // What is asked draws from the sim's chances.
        for _ in 0..seed {
            bench.ask([0xF0, 0, 0, 0]);
        }
        bench.write([0xAC, 0x80, 0, 0]);
        let eeprom = bench.sim.contents().eeprom;
        assert!(eeprom[..512].iter().all(|byte| *byte == 0xFF));
        let upper = eeprom[512];
        assert!(eeprom[512..].iter().all(|byte| *byte == upper) && [seed, 0xFF].contains(&upper));
        taken += u32::from(upper == 0xFF);
    }
    assert!((5..35).contains(&taken), "{taken} of 40 times");
}
