//! Lists of rungs for given inputs, computed by hand.

use super::chips::atmega328p;
use super::script::Script;
use farrier::algorithm::avr_spi::{Rung, rungs};
use farrier::board::{ClockSetting, ClockSource};
use farrier::bus::Abilities;
use farrier::units::Hertz;

fn crystal(hz: u32) -> Option<ClockSetting> {
    Some(ClockSetting { source: ClockSource::Crystal { from_hz: Hertz(400_000), to_hz: Hertz(20_000_000) }, hz: Hertz(hz) })
}

fn bridge(min: u32, max: u32) -> Abilities {
    Abilities { spi_clock_min: Hertz(min), spi_clock_max: Hertz(max), ..Script::new().abilities }
}

fn clocks(rungs: &[Rung]) -> Vec<u32> {
    rungs.iter().map(|rung| rung.programming_clock.0).collect()
}

/// 8 MHz * 0.92 / 4, an eighth of it; 128 kHz * 0.8 / 4, an eighth of it; 4096 Hz, which is a watch crystal's eighth, * 0.8 / 4.
const INSIDE: [u32; 5] = [1_840_000, 230_000, 25_600, 3_200, 819];

#[test]
fn from_12_mhz_a_crystal_is_taken_at_a_sixth() {
    let found = rungs(&atmega328p(), &bridge(500, 8_000_000), crystal(16_000_000), None);
    assert_eq!(clocks(&found), [2_666_666, INSIDE[0], INSIDE[1], INSIDE[2], INSIDE[3], INSIDE[4]]);
    let found = rungs(&atmega328p(), &bridge(500, 8_000_000), crystal(12_000_000), None);
    assert_eq!(clocks(&found)[0], 2_000_000, "exactly a sixth: from 12 MHz the limit itself is allowed");
    let found = rungs(&atmega328p(), &bridge(500, 8_000_000), crystal(20_000_000), None);
    assert_eq!(clocks(&found)[0], 3_333_333);
}

#[test]
fn below_12_mhz_a_crystal_is_taken_just_below_a_fourth() {
    // 8 MHz * 0.995 / 4
    let found = rungs(&atmega328p(), &bridge(500, 8_000_000), crystal(8_000_000), None);
    assert_eq!(clocks(&found)[0], 1_990_000);
    // 11.0592 MHz * 0.995 / 4
    let found = rungs(&atmega328p(), &bridge(500, 8_000_000), crystal(11_059_200), None);
    assert_eq!(clocks(&found)[0], 2_750_976);
}

#[test]
fn an_expected_internal_oscillator_comes_once() {
    let expected = Some(ClockSetting { source: ClockSource::Internal { hz: Hertz(8_000_000) }, hz: Hertz(8_000_000) });
    let found = rungs(&atmega328p(), &bridge(500, 8_000_000), expected, None);
    assert_eq!(clocks(&found), INSIDE);
}

#[test]
fn an_expected_slow_clock_is_still_the_first() {
    let found = rungs(&atmega328p(), &bridge(500, 8_000_000), crystal(1_000_000), None);
    assert_eq!(clocks(&found), [248_750, INSIDE[0], INSIDE[1], INSIDE[2], INSIDE[3], INSIDE[4]]);
}

#[test]
fn the_range_of_the_bridge_cuts_at_both_ends() {
    let found = rungs(&atmega328p(), &bridge(20_000, 1_000_000), crystal(16_000_000), None);
    assert_eq!(clocks(&found), [1_000_000, 230_000, 25_600], "the two fastest are one, the slowest cannot be made");
    assert!(rungs(&atmega328p(), &bridge(3_000_000, 8_000_000), crystal(16_000_000), None).is_empty());
}

#[test]
fn the_clock_output_comes_last_and_only_where_allowed() {
    let found = rungs(&atmega328p(), &bridge(500, 8_000_000), crystal(16_000_000), Some(Hertz(4_000_000)));
    assert!(found[..6].iter().all(|rung| rung.clock_output.is_none()));
    let fed = Some(Hertz(4_000_000));
    let last = [(995_000, fed), (124_375, fed)].map(|(hz, clock_output)| Rung { programming_clock: Hertz(hz), clock_output });
    assert_eq!(found[6..], last);

    let without = Abilities { clock_output: false, ..bridge(500, 8_000_000) };
    assert_eq!(rungs(&atmega328p(), &without, crystal(16_000_000), Some(Hertz(4_000_000))).len(), 6);
}
