//! Bricked boards as a user asks for them.

use super::Home;
use farrier::sim::BRICKED;

#[test]
fn each_kind_is_one_command_and_is_said_and_listed() {
    let home = Home::new();
    let help = home.run("sim new --help");
    for (nth, kind) in BRICKED.iter().enumerate() {
        help.says(&format!("- {}: {}", kind.name, kind.sentence));
        // Each stands on the one board or the other.
        let made =
            ["vent", "frost"].iter().map(|board| home.run(&format!("sim new x{nth}-{board} --board {board} --bricked {}", kind.name)));
        let made: Vec<_> = made.collect();
        assert!(made.iter().any(|ran| ran.code == 0), "{}", kind.name);
        made.iter().filter(|ran| ran.code == 0).for_each(|ran| {
            ran.says(kind.sentence).says("farrier inspect --via sim:x");
        });
        home.run("sim list").exits(0).says(kind.name);
    }
}

#[test]
fn a_board_that_cannot_be_so_is_refused_and_not_made() {
    let home = Home::new();
    let refused = home.run("sim new one --board vent --bricked reset-disabled");
    refused.exits(2).says("the board vent cannot be bricked as reset-disabled: ATmega1284P has no RSTDISBL");
    home.run("sim new one --board vent --bricked no-such-kind").exits(2).says("`farrier sim new --help` lists them");
    home.run("sim list").exits(0).says("There are no simulated boards yet.");
}

#[test]
fn a_surprise_stays_one_on_every_screen() {
    let home = Home::new();
    for seed in 1..=12 {
        let made = home.run(&format!("sim new s{seed} --board frost --bricked surprise --seed {seed}"));
        made.exits(0).says("What was done to it is not told.");
        let (list, json) = (home.run("sim list"), home.run("sim list --json"));
        for (ran, kind) in [&made, &list, &json].into_iter().flat_map(|ran| BRICKED.iter().map(move |kind| (ran, kind.name))) {
            assert!(!ran.out.contains(kind), "seed {seed}: {kind} in {}", ran.out);
        }
        assert!(!["open-miso", "shorted", "swapped", "held-line", "no-power", "weak"].iter().any(|fault| list.out.contains(fault)));
    }
}

/// Made in one folder, used in another.
#[test]
fn a_board_file_of_ones_own_is_bricked_as_well() {
    let home = Home::new();
    home.run("boards new kiln --chip atmega644p --clock crystal --hz 20MHz --reserve 2048 --supply 3.3V --to kiln.toml").exits(0);
    for (kind, cause) in [("erased-loader", "loader-missing"), ("brown-out-above-supply", "brown-out-above-supply")] {
        home.run(&format!("sim new {kind} --board ./kiln.toml --bricked {kind}")).exits(0);
        let elsewhere = home.path().join("sims");
        let revive = home.command().current_dir(elsewhere).args(["revive", "--via"]).arg(format!("sim:{kind}")).output();
        let told = String::from_utf8(revive.expect("the program starts").stdout).expect("UTF-8");
        assert!(told.contains(&format!("Diagnosis  {cause}")), "{kind}: {told}");
    }
}

/// Whoever is given a sealed board finds something, also where nothing is known but the chip.
#[test]
fn no_surprise_looks_like_a_board_without_a_fault() {
    let home = Home::new();
    for (seed, part) in (1..).zip(["attiny85", "attiny13", "atmega8", "atmega328p", "attiny85", "attiny13", "atmega8", "atmega328p"]) {
        home.run(&format!("sim new s{seed} --board generic-{part} --bricked surprise --seed {seed}")).exits(0);
        let revive = home.run(&format!("revive --via sim:s{seed} --clock-output"));
        let kind = home.run(&format!("sim reveal s{seed} --json")).json()["bricked"].clone();
        assert!(revive.out.contains("Diagnosis") && !revive.out.contains("nothing-wrong"), "{kind} on {part}: {}", revive.out);
    }
}
