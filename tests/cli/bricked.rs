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
            ran.says(kind.sentence).says("Next: farrier inspect --via sim:x");
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
