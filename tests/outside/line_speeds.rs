//! Divisors of the serial loader's line speed against avr-libc's util/setbaud.h, which we did not write.

use super::{program, run};
use farrier::board::LineSpeed;
use farrier::units::Hertz;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::process::Command;

const CLOCKS: [u32; 13] = [
    128_000, 1_000_000, 1_843_200, 2_000_000, 3_686_400, 4_000_000, 7_372_800, 8_000_000, 11_059_200, 14_745_600, 16_000_000, 18_432_000,
    20_000_000,
];
const BAUDS: [u32; 12] = [300, 1_200, 2_400, 4_800, 9_600, 14_400, 19_200, 28_800, 38_400, 57_600, 76_800, 115_200];

/// What setbaud.h makes of every clock and speed at a tolerance in percent: UBRR and whether it wants U2X. With a tolerance of 0 it takes
/// U2X wherever the normal speed is not exact, with one of 100 it never does.
fn setbaud(tolerance: u32) -> BTreeMap<(u32, u32), (u16, bool)> {
    let mut source = String::from("#define __SFR_OFFSET 0\n");
    for clock in CLOCKS {
        for baud in BAUDS {
            // The header has no guard: it is meant to be included again.
            writeln!(source, "#undef F_CPU\n#undef BAUD\n#undef BAUD_TOL\n#define F_CPU {clock}UL\n#define BAUD {baud}UL").unwrap();
            writeln!(source, "#define BAUD_TOL {tolerance}\n#include <util/setbaud.h>").unwrap();
            writeln!(source, "#if USE_2X\nresult {clock} {baud} double : UBRR_VALUE\n#else").unwrap();
            writeln!(source, "result {clock} {baud} normal : UBRR_VALUE\n#endif").unwrap();
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("speeds.c");
    std::fs::write(&file, source).unwrap();
    let text = run(Command::new(program("avr-gcc")).args(["-E", "-P", "-w", "-mmcu=atmega328p"]).arg(file));
    let text = String::from_utf8(text).unwrap();
    let results = text.lines().filter_map(|line| line.strip_prefix("result "));
    results
        .map(|line| {
            let (head, value) = line.split_once(" : ").unwrap();
            let words: Vec<&str> = head.split(' ').collect();
            ((words[0].parse().unwrap(), words[1].parse().unwrap()), (divisor(value), words[2] == "double"))
        })
        .collect()
}

/// `(((CLOCK) + 8UL * (BAUD)) / (16UL * (BAUD)) -1UL)`, as the preprocessor leaves it.
fn divisor(expression: &str) -> u16 {
    let numbers: Vec<u64> = expression.split(|c: char| !c.is_ascii_digit()).filter_map(|number| number.parse().ok()).collect();
    let [clock, half, baud, step, again, 1] = numbers[..] else { panic!("another expression than expected: {expression}") };
    assert_eq!((baud, half * 2), (again, step), "{expression}");
    ((clock + half * baud) / (step * baud)).saturating_sub(1) as u16
}

#[test]
fn divisors_are_those_of_setbaud() {
    for (tolerance, all) in [(100, setbaud(100)), (0, setbaud(0))] {
        assert_eq!(all.len(), CLOCKS.len() * BAUDS.len());
        let mut doubles = 0;
        for ((clock, baud), (divisor, double)) in all {
            // setbaud.h lets a clock that is too slow for any divisor run over, and only warns of a divisor of more than 12 bits.
            if clock < 16 * baud || divisor > 4095 {
                continue;
            }
            assert!(tolerance == 0 || !double, "{clock} Hz, {baud} baud");
            doubles += usize::from(double);
            let speed = LineSpeed::at(Hertz(clock), baud, double);
            assert_eq!(speed.divisor, divisor, "{clock} Hz, {baud} baud, double {double}");
        }
        assert!(tolerance != 0 || doubles > 50, "{doubles}");
    }
}

/// Its verdict at 2 percent is about the normal speed alone: it keeps to it where that fits.
#[test]
fn two_percent_is_the_same_for_both() {
    for ((clock, baud), (_, double)) in setbaud(2) {
        let speed = LineSpeed::at(Hertz(clock), baud, false);
        let too_slow_a_line = u64::from(clock) > 4096 * 16 * u64::from(baud);
        assert!(too_slow_a_line || speed.fits() != double, "{clock} Hz, {baud} baud: {:.2} %", speed.percent_off());
    }
}
