//! Programming Enable, RESET and SCK.

use super::bench::{Bench, board, board_without_crystal, small};
use farrier::bus::{Bus, Drive, Line, Operation};
use farrier::units::Hertz;
use std::time::Duration;

#[test]
fn the_second_byte_comes_back_while_the_third_is_sent() {
    let mut bench = Bench::small();
    bench.sck(200_000);
    bench.reset(Drive::Low);
    bench.ms(20);
    assert_eq!(bench.send(&[0xAC, 0x53, 0x11, 0x22]), [0x00, 0xAC, 0x53, 0x11]);
    assert_eq!(bench.id(), [0x1E, 0x95, 0x0F]);
    bench.assert_clean();
}

#[test]
fn nothing_is_answered_before_programming_enable() {
    let mut bench = Bench::small();
    bench.sck(200_000);
    bench.reset(Drive::Low);
    bench.ms(20);
    assert_eq!(bench.send(&[0x30, 0, 0, 0]), [0, 0x30, 0, 0]);
    bench.assert_only("before Programming Enable");
}

#[test]
fn nineteen_milliseconds_after_reset_are_too_early() {
    let mut bench = Bench::small();
    bench.sck(200_000);
    bench.reset(Drive::Low);
    bench.ms(19);
    assert_ne!(bench.send(&[0xAC, 0x53, 0, 0])[2], 0x53);
    bench.assert_only("20 ms must pass");
}

#[test]
fn a_chip_that_lost_step_needs_a_reset_pulse() {
    let mut bench = Bench::small();
    assert!(!bench.enter(2_000_000), "2 MHz is too fast for 1 MHz");
    bench.sck(200_000);
    assert_ne!(bench.id(), [0x1E, 0x95, 0x0F]);
    assert!(bench.enter(200_000));
    assert_eq!(bench.id(), [0x1E, 0x95, 0x0F]);
    bench.assert_clean();
}

#[test]
fn too_fast_after_entry_is_a_violation_and_garbage() {
    let mut bench = Bench::entered(&small());
    bench.sck(1_000_000);
    assert_ne!(bench.id(), [0x1E, 0x95, 0x0F]);
    bench.assert_only("too fast");
}

#[test]
fn a_quarter_too_fast_gets_in_at_times_but_reads_change() {
    let mut bench = Bench::small();
    let entries: Vec<bool> = (0..24).map(|_| bench.enter(280_000)).collect();
    assert!(entries.contains(&true) && entries.contains(&false), "{entries:?}");
    while !bench.enter(280_000) {}
    let reads: Vec<_> = (0..8).map(|_| bench.id()).collect();
    assert!(reads.iter().any(|id| *id != reads[0]), "{reads:?}");
    bench.assert_clean();
    bench.send(&[0xAC, 0x80, 0, 0]);
    bench.assert_only("although SCK is too fast");
}

#[test]
fn a_reset_pulse_of_one_clock_is_not_seen() {
    let mut bench = Bench::entered(&small());
    bench
        .bus
        .run(&[Operation::Line { line: Line::Reset, drive: Drive::High }, Operation::Line { line: Line::Reset, drive: Drive::Low }])
        .expect("lines can be driven");
    bench.assert_only("shorter than two CPU clocks");
}

#[test]
fn bytes_while_reset_is_released_are_a_violation() {
    let mut bench = Bench::entered(&small());
    bench.reset(Drive::Release);
    assert_eq!(bench.send(&[0x30, 0, 0, 0]), [0xFF; 4]);
    bench.assert_only("RESET was released");
}

#[test]
fn a_clock_change_acts_only_after_leaving() {
    let mut bench = Bench::entered(&small());
    bench.write([0xAC, 0xA0, 0, 0xFF]);
    assert_eq!(bench.ask([0x50, 0, 0, 0]), 0xFF);
    bench.assert_clean();
    assert!(bench.enter(2_666_666), "the crystal of 16 MHz runs the chip now");
    assert_eq!(bench.id(), [0x1E, 0x95, 0x0F]);
    bench.assert_clean();
}

#[test]
fn a_crystal_setting_without_a_crystal_does_not_answer_until_a_clock_is_fed() {
    let mut bench = Bench::new(&board_without_crystal(), &small());
    assert!(bench.enter(200_000));
    bench.write([0xAC, 0xA0, 0, 0xFF]);
    assert!(!bench.enter(1_000));
    assert_eq!(bench.send(&[0x30, 0, 0, 0]), [0xFF; 4]);
    bench.run(Operation::ClockOutput(Some(Hertz(1_000_000))));
    assert!(bench.enter(200_000));
    bench.write([0xAC, 0xA0, 0, 0x62]);
    bench.run(Operation::ClockOutput(None));
    assert!(bench.enter(200_000));
    bench.assert_clean();
}

#[test]
fn the_slowest_oscillator_divided_by_8_answers_below_4_khz() {
    let mut bench = Bench::new(&board(), &small());
    bench.sim.edit(|contents| contents.fuses[0] = 0x63);
    assert!(!bench.enter(8_000));
    assert!(bench.enter(3_900));
    assert_eq!(bench.id(), [0x1E, 0x95, 0x0F]);
    bench.assert_clean();
}

#[test]
fn debug_wire_shuts_the_interface_only_after_leaving() {
    let mut bench = Bench::entered(&small());
    bench.write([0xAC, 0xA8, 0, 0x99]);
    assert_eq!(bench.id(), [0x1E, 0x95, 0x0F]);
    assert!(!bench.enter(200_000));
    assert_eq!(bench.id(), [0xFF; 3]);
    bench.assert_clean();
}

#[test]
fn a_power_cycle_needs_its_20_ms_too() {
    let mut bench = Bench::small();
    bench.sck(200_000);
    let power = |drive| Operation::Line { line: Line::Power, drive };
    bench.run(power(Drive::Low));
    bench.reset(Drive::Low);
    bench.ms(30);
    bench.run(power(Drive::High));
    bench.wait(Duration::from_micros(19_000));
    bench.send(&[0xAC, 0x53, 0, 0]);
    bench.assert_only("20 ms must pass");
}

#[test]
fn switching_off_with_reset_low_is_a_violation() {
    let mut bench = Bench::entered(&small());
    bench.run(Operation::Line { line: Line::Power, drive: Drive::Low });
    bench.assert_only("switched off while RESET was low");
}
