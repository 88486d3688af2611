//! A chip that does not answer: every command shows what supply and lines show, and names the likeliest wire.

use super::Home;
use farrier::finding::Kind;

/// The fault, what is said of the lines, and the wire named.
const FAULTS: [(&str, &str, &str); 11] = [
    ("open-miso", "MISO stays high", "Look first at: MISO (open"),
    ("swapped-data", "MISO stays high", "Look first at: MISO (open, or swapped with MOSI"),
    ("shorted-data", "MISO follows MOSI", "Look first at: MOSI and MISO, which seem to be joined"),
    ("held-line=reset-low", "RESET stays low", "Look first at: RESET, which is shorted to ground"),
    ("held-line=reset-high", "RESET stays high", "Look first at: RESET, which is shorted to the supply"),
    ("held-line=sck-low", "MISO stays high", "then SCK (held low"),
    ("held-line=sck-high", "SCK stays high", "Look first at: SCK, which is shorted to the supply"),
    ("held-line=mosi-low", "MISO stays low", "Look first at: MISO and MOSI (is one shorted to ground"),
    ("held-line=mosi-high", "MOSI stays high", "Look first at: MOSI, which is shorted to the supply"),
    ("no-power", "no line was driven", "Look first at: the board's supply"),
    ("wrong-supply=300", "no line was driven", "Look first at: the board's supply"),
];

fn commands(home: &Home) -> [String; 4] {
    let image = home.file("image.bin", &[1; 64]);
    ["inspect".into(), format!("verify {} --at 0", image.display()), "snapshot take".into(), "loader install --yes".into()]
}

#[test]
fn each_command_names_the_likeliest_wire() {
    let home = Home::new();
    home.run("sim new bench --board vent").exits(0);
    for (fault, lines, wire) in FAULTS {
        home.run(&format!("sim damage bench {fault}")).exits(0);
        for command in commands(&home) {
            let ran = home.run(&format!("{command} --via sim:bench"));
            ran.exits(4).says("error: the chip ").says(lines).says(wire);
            assert!(ran.err.lines().all(|line| line.chars().count() <= 100), "{}", ran.err);
        }
        let told = home.run("inspect --via sim:bench --json");
        assert_eq!(told.code, 4, "{fault}");
        let evidence = &told.json()["evidence"];
        assert!(
            evidence["look_at"].as_str().is_some_and(|text| wire.contains(&text[..8]) || text.contains(&wire[5..8])),
            "{fault}: {evidence}"
        );
        assert_eq!(evidence["wiring"]["lines"].is_null(), lines == "no line was driven", "{fault}: {evidence}");
        home.run("sim repair bench").exits(0);
    }
}

/// A line that is held, and a missing supply, are known before the chip is tried.
#[test]
fn inspect_does_not_try_the_chip_where_that_makes_no_sense() {
    let home = Home::new();
    home.run("sim new bench --board vent").exits(0);
    for fault in ["held-line=reset-low", "held-line=sck-high", "held-line=mosi-high", "no-power"] {
        home.run(&format!("sim damage bench {fault}")).exits(0);
        home.run("inspect --via sim:bench").exits(4).says("error: the chip was not tried");
        home.run("sim repair bench").exits(0);
    }
}

#[test]
fn inspect_says_what_it_measured_when_all_is_well() {
    let home = Home::new();
    let ran = home.run("inspect --via sim:vent");
    ran.exits(0).says("Bridge   sim vent, pins at 5.0 V, through sim:vent");
    ran.says("Lines    RESET moves, SCK goes low, MOSI goes low, MISO moves and does not follow MOSI");
    ran.says("Supply   5.0 V measured; the board bears 4.5 V to 5.5 V");
    let told = home.run("inspect --via sim:vent --json").json();
    assert_eq!((&told["wiring"]["supply_mv"], &told["pin_level_mv"]), (&5_000.into(), &5_000.into()));
    let lines = &told["wiring"]["lines"];
    assert_eq!((&lines["reset_high"]["reset"], &lines["reset_low"]["reset"]), (&true.into(), &false.into()));
    assert_eq!(lines["miso"], "moves and does not follow MOSI");
}

#[test]
fn a_supply_that_is_not_the_boards_is_told_before_a_line_is_driven() {
    let home = Home::new();
    home.run("sim new bench --board vent").exits(0);
    home.run("sim damage bench wrong-supply=2700").exits(0);
    for command in commands(&home) {
        let ran = home.run(&format!("{command} --via sim:bench"));
        ran.exits(3)
            .says(Kind::SupplyOutOfRange.name())
            .says(Kind::LevelsDiffer.name())
            .says("The supply is 2.7 V; board vent needs 4.5 V");
    }
    home.run("sim repair bench").exits(0);
    home.run("sim damage bench wrong-supply=4600").exits(0);
    home.run("inspect --via sim:bench").exits(0).says("4.6 V measured");
    home.run("sim new low --board frost").exits(0);
    home.run("sim damage low wrong-supply=3900").exits(0);
    home.run("inspect --via sim:low").exits(0).says("3.9 V measured, outside the 3.0 V to 3.6 V of the board");
}

#[test]
fn a_generic_board_has_the_level_of_its_supply() {
    let home = Home::new();
    home.run("sim new bench --board generic-atmega1284p").exits(0);
    home.run("sim damage bench wrong-level=3300").exits(0);
    let refused = home.run("inspect --via sim:bench");
    refused.exits(3).says("refused: levels-differ").says("has 5.0 V at its programming header, as its supply measures");
    refused.says("farrier connections --board generic-atmega1284p --bridge rp2040");
    home.run("sim damage bench wrong-supply=3300").exits(0);
    home.run("inspect --via sim:bench").exits(0).says("3.3 V measured");
    home.run("inspect --via sim:bench --supply 3.3").exits(0);
    home.run("inspect --via sim:bench --supply 5").exits(2).says("--supply says 5.0 V, and the bridge measures 3.3 V");
    home.run("inspect --via sim:bench --supply 33").exits(2).says("between 1 and 6 V");
    home.run("sim damage bench wrong-level=5000").exits(0);
    for command in commands(&home) {
        home.run(&format!("{command} --via sim:bench")).exits(3).says("refused: levels-differ");
    }
}

#[test]
fn a_drawing_for_a_generic_board_is_for_a_level_that_is_told() {
    let home = Home::new();
    let fit = |line: &str| home.run(&format!("connections --board generic-atmega1284p {line} --json")).json()["fit"].clone();
    assert_eq!(fit("--bridge rp2040"), "near");
    assert_eq!(fit("--bridge atmega328p"), "near");
    assert_eq!(fit("--bridge atmega328p --supply 3.3"), "too-high");
    assert_eq!(fit("--bridge rp2040 --supply 5"), "too-low");
    home.run("connections --board generic-atmega1284p --bridge rp2040").exits(0).says("this is drawn for 3.3 V");
}
