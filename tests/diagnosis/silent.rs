//! What a silent chip may have suits the part and the board: its clock, its fuses, its brown-out detector.

use super::{Given, diagnosed_of, silent};
use farrier::algorithm::avr_spi::{Evidence, Feed};
use farrier::board::{Board, Catalog, Chip, known_chips};
use farrier::bus::Abilities;
use farrier::diagnosis::{Answer, Diagnosis};
use farrier::units::{Hertz, Millivolts};

fn board(name: &str) -> (Board, Chip) {
    Catalog::built_in().board(name).expect("a board of the catalog")
}

fn told(of: &(Board, Chip), feed: Feed) -> Diagnosis {
    let Answer::Silent(mut found) = silent(Evidence::AllOnes, None, feed) else { panic!("silent") };
    found.wiring.supply = Some(of.0.levels);
    diagnosed_of(of, Answer::Silent(found), Given::default())
}

fn feed(chip: &Chip) -> Feed {
    let abilities = Abilities {
        name: "a bridge".into(),
        spi_clock_min: Hertz(500),
        spi_clock_max: Hertz(4_000_000),
        block_bytes: 256,
        pin_level: Millivolts(5_000),
        measures_supply: true,
        clock_output: true,
        switches_power: false,
        simulated: false,
    };
    Feed::of(chip, &abilities)
}

fn could_be(told: &Diagnosis) -> String {
    told.causes.iter().flat_map(|cause| cause.could_be.clone()).collect::<Vec<_>>().join("\n")
}

/// Parts whose fuses choose no clock from outside, by their descriptions: the first have no such field, the others only their own
/// oscillators in it.
#[test]
fn a_chip_that_takes_no_clock_is_not_to_be_fed_one() {
    let own = ["ATA5790N", "ATA5795", "ATmega8HVA", "ATmega16HVA", "ATA6285", "ATA6286", "ATA6289", "ATmega64HVE", "ATmega32HVB"];
    for part in own {
        let of = board(&format!("generic-{}", part.to_lowercase()));
        assert_eq!(feed(&of.1), Feed::NotTaken, "{part}");
        let told = told(&of, feed(&of.1));
        assert!(!could_be(&told).contains("clock"), "{part}: {}", could_be(&told));
        let rung = told.rungs.iter().find(|rung| rung.name == "clock-output").expect("a rung");
        assert!(rung.seen.contains(&format!("no setting of an {part} that is known chooses a clock from outside")), "{}", rung.seen);
        let Answer::Silent(found) = silent(Evidence::AllZeros, None, feed(&of.1)) else { panic!("silent") };
        assert!(!found.to_string().contains("clock pin") && !found.look_at().contains("clock"), "{found}");
    }
    let taking = known_chips().map(|(_, part)| board(&format!("generic-{}", part.to_lowercase()))).filter(|(_, chip)| chip.takes_a_clock());
    assert!(taking.count() > 100);
}

/// The board's own oscillator cannot be lost by a wire: only a fuse takes it away, and the wires are cheaper to look at.
#[test]
fn on_a_board_without_crystal_or_signal_the_wires_come_before_the_clock() {
    let first = |name: &str, feed: Feed| told(&board(name), feed).causes[0].could_be[..2].to_vec();
    for feed in [Feed::Possible, Feed::NoOutput] {
        let frost = first("frost", feed);
        assert!(frost[0].starts_with("A wire") && frost[1].contains("which this board does not have"), "{frost:?}");
        let vent = first("vent", feed);
        assert!(vent[0].starts_with("The chip has no clock") && vent[1].starts_with("A wire"), "{vent:?}");
    }
}

/// Only the fields that the chip has, and the brown-out detector only where it can hold the chip at this supply.
#[test]
fn the_fuses_that_are_named_are_the_chips_own() {
    let frost = could_be(&told(&board("frost"), Feed::Possible));
    assert!(frost.contains("(by serial-programming, reset-pin, debug-wire)"), "{frost}");
    let vent = could_be(&told(&board("vent"), Feed::Possible));
    assert!(vent.contains("(by serial-programming)"), "{vent}");
    assert!(!could_be(&told(&board("generic-atmega32hvb"), Feed::NotTaken)).contains("brown-out"), "it has no such field");
    // 4.3 V is the highest level of both.
    let at = |name: &str, supply: u16| {
        let Answer::Silent(mut found) = silent(Evidence::AllOnes, None, Feed::Possible) else { panic!("silent") };
        found.wiring.supply = Some(Millivolts(supply));
        could_be(&diagnosed_of(&board(name), Answer::Silent(found), Given::default())).contains("brown-out")
    };
    assert!(at("vent", 4_600) && !at("vent", 5_000));
}
