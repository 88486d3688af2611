//! `farrier.toml` in the working folder: what it names is used, and what the command line or a sim says goes before it.

use super::loader::demo_application;
use super::{Home, Ran};

fn home(file: &str) -> Home {
    let home = Home::new();
    home.file("farrier.toml", file.as_bytes());
    home.file("vent.hex", demo_application("vent"));
    home
}

#[test]
fn a_folder_names_board_bridge_and_application() {
    let home = home("board = \"vent\"\nvia = \"sim:bench\"\napplication = \"vent.hex\"\n");
    home.run("sim new bench").exits(0).says("is made: vent");
    home.run("write --yes")
        .exits(0)
        .says("vent (ATmega1284P), named by farrier.toml in this folder")
        .says("farrier verify vent.hex --via sim:bench");
    home.run("verify").exits(0).says("The flash holds vent.hex");
    home.run("inspect").exits(0).says("named by farrier.toml");
    let planned = home.run("loader install --on factory");
    planned.exits(0).says("vent (ATmega1284P), named by farrier.toml in this folder");
    assert!(planned.out.ends_with("Next: farrier loader install\n"), "{}", planned.out);
    home.run("connections --bridge gpio").exits(0).says("vent (ATmega1284P), named by farrier.toml in this folder");
    home.run("connections").exits(2).says("farrier connections --board vent --bridge atmega328p");
}

/// The first screen is about the board of the folder, and what it offers can be typed as it stands there.
#[test]
fn the_bare_screen_is_about_the_folders_board() {
    let home = home("board = \"vent\"\nvia = \"sim:vent\"\napplication = \"vent.hex\"\n");
    let first = home.run("");
    assert!(first.exits(0).out.starts_with("Board    vent (ATmega1284P), named by farrier.toml in this folder\n"), "{}", first.out);
    let offered = |of: &Ran| -> Vec<String> {
        let commands = of.out.lines().filter_map(|line| line.trim_start().strip_prefix("farrier "));
        commands.map(|line| line.split("  ").next().unwrap_or_default().to_owned()).collect()
    };
    let commands = offered(&first);
    for wanted in ["inspect", "loader install --dry-run", "write --dry-run", "boards show vent"] {
        assert!(commands.iter().any(|offer| offer == wanted), "{wanted}: {commands:?}");
        home.run(wanted).exits(0);
    }
    assert_eq!(home.run("--json").json()["board"], "vent");
    // Where the folder names no bridge, and no application.
    home.file("farrier.toml", b"board = \"frost\"\n");
    let commands = offered(home.run("").exits(0));
    assert!(commands[0].starts_with("inspect --via ") && !commands.iter().any(|offer| offer.starts_with("write")), "{commands:?}");
    home.file("farrier.toml", b"board = \"nowhere\"\n");
    home.run("").exits(2).says("there is no board \"nowhere\"");
}

#[test]
fn a_folder_names_the_way_to_write() {
    let home = home("board = \"vent\"\nvia = \"sim:vent\"\napplication = \"vent.hex\"\nway = \"fitted-loader\"\n");
    home.run("write").exits(2).says("which serial port is the board's?").says("console = \"PORT\"");
    home.run("write --dry-run").exits(0).says("vent.hex goes to the board's loader at 38400 baud");
    home.run("write --via sim:vent --dry-run").exits(0).says("Plan: ");
    home.run("write --way programming-header --yes").exits(0).says("Done. The application is written.");
}

#[test]
fn what_is_empty_yet_names_the_folders_bridge_as_the_next_step_and_no_other() {
    for (file, via) in [("", " --via sim:vent"), ("board = \"pump\"\n", " --via WHERE"), ("board = \"pump\"\nvia = \"sim:pump\"\n", "")] {
        let home = home(file);
        for (command, next) in [("snapshot list", "snapshot take"), ("journal", "loader install")] {
            let ran = home.run(command);
            assert!(ran.exits(0).out.ends_with(&format!("Next: farrier {next}{via}\n")), "{}", ran.out);
        }
        assert!(home.run("journal show last").exits(2).err.ends_with(&format!("farrier loader install{via}\n")));
    }
}

#[test]
fn the_command_line_goes_before_the_folder_and_a_sim_knows_its_own_board() {
    let home = home("board = \"pump\"\nvia = \"sim:pump\"\napplication = \"pump.hex\"\n");
    home.run("inspect --via sim:vent").exits(0).says("vent (ATmega1284P), named by the sim");
    home.run("inspect --via sim:vent --board generic-atmega1284p").exits(0).says("named by --board");
    home.run("write vent.hex --via sim:vent --yes").exits(0);
    home.run("snapshot list --board vent --json").exits(0);
    assert_eq!(home.run("journal --json").json()["jobs"].as_array().map(Vec::len), Some(1), "the folder's board chooses no jobs");
}

#[test]
fn mistakes_and_what_is_missing_are_said() {
    home("bord = \"vent\"\n").run("inspect").exits(2).says("farrier.toml:1");
    home("via = \"somewhere:\"\n").run("inspect").exits(2).says("`via` in farrier.toml");
    home("board = \"nowhere\"\nvia = \"sim:vent\"\n").run("inspect").exits(2).says("there is no board \"nowhere\"");
    Home::new().run("write --via sim:vent --yes").exits(2).says("application = \"FILE\"");
}
