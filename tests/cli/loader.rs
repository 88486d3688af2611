//! Installing and removing a loader, on every demo board.

use super::Home;
use farrier::board::Catalog;
use farrier::image::Span;

/// Name, first address of the reservation, its size, the configuration afterwards as low, high, extended.
///
/// The configuration bytes were worked out by hand from the bit tables of the datasheets' sections on fuse bits (8271, 8272, 2549) for
/// what the three board files ask for.
const BOARDS: [(&str, usize, usize); 3] = [("vent", 0x1F800, 2048), ("pump", 0x3F800, 2048), ("frost", 0x7C00, 1024)];

fn loader_bytes(board: &str) -> Vec<u8> {
    let (board, chip) = Catalog::built_in().board(board).expect("a demo board");
    let loader = farrier::diagnosis::own_loader(&board, &chip).expect("a loader").image;
    loader.filled(board.reservation.expect("a reservation").span, 0xFF)
}

#[test]
fn install_fits_the_loader_and_a_second_run_changes_nothing() {
    for (board, start, size) in BOARDS {
        let home = Home::new();
        home.run(&format!("loader install --via sim:{board} --yes")).exits(0).says("Done.").says("Not checked").says("SIMULATED");
        let held = home.export(board);
        assert_eq!(held.flash[start..start + size], loader_bytes(board), "{board}: the reservation holds the loader");
        assert!(held.flash[..start].iter().all(|byte| *byte == 0xFF), "{board}: the rest is blank");
        assert_eq!(held.fuses()[1] & 1, 0, "{board}: BOOTRST is programmed");
        assert_eq!(held.lock() & 0b11_0000, 0b10_0000, "{board}: BLB1 is mode 2");
        assert_eq!(held.violations(), 0, "{board}");
        home.run(&format!("loader install --via sim:{board} --yes")).exits(0).says("there already");
        assert_eq!(home.export(board).flash, held.flash, "{board}");
    }
}

#[test]
fn remove_gives_the_room_back_and_starts_the_application() {
    for (board, start, _) in BOARDS {
        let home = Home::new();
        home.run(&format!("loader install --via sim:{board} --yes")).exits(0);
        let application = demo_application(board);
        let path = home.file("application.hex", application);
        home.run(&format!("write {} --via sim:{board} --yes", path.display())).exits(0);
        let with_loader = home.export(board);
        home.run(&format!("loader remove --via sim:{board} --yes")).exits(3).says("loader-removed").says("--accept loader-removed");
        assert_eq!(home.export(board).flash, with_loader.flash, "{board}: nothing was touched without the consent");
        home.run(&format!("loader remove --via sim:{board} --yes --accept loader-removed")).exits(0);
        let held = home.export(board);
        assert_eq!(held.flash[..start], with_loader.flash[..start], "{board}: the application stays");
        assert!(held.flash[start..].iter().all(|byte| *byte == 0xFF), "{board}: the reservation is blank");
        assert_eq!(held.fuses()[1] & 1, 1, "{board}: BOOTRST is unprogrammed");
        assert_eq!(held.lock() & 0b11_0000, 0b11_0000, "{board}: the boot section is not locked");
        assert_eq!(held.violations(), 0, "{board}");
    }
}

/// The demo application of a board, as Intel HEX.
pub fn demo_application(board: &str) -> &'static [u8] {
    match board {
        "vent" => include_bytes!("../../boards/demo-applications/vent.hex"),
        "pump" => include_bytes!("../../boards/demo-applications/pump.hex"),
        _ => include_bytes!("../../boards/demo-applications/frost.hex"),
    }
}

#[test]
fn without_a_terminal_and_without_yes_nothing_changes() {
    let home = Home::new();
    let before = {
        home.run("sim new bench --board vent").exits(0);
        home.export("bench")
    };
    home.run("loader install --via sim:bench").exits(3).says("farrier loader install --via sim:bench --yes");
    let after = home.export("bench");
    assert_eq!((after.flash, after.eeprom, after.state["fuses"].clone()), (before.flash, before.eeprom, before.state["fuses"].clone()));
    let journal = home.run("journal --json");
    assert_eq!(journal.json()["jobs"].as_array().map(Vec::len), Some(0));
}

#[test]
fn a_dry_run_changes_nothing_and_shows_the_plan() {
    let home = Home::new();
    let ran = home.run("loader install --via sim:vent --dry-run --json");
    ran.exits(0);
    let steps = ran.json()["plan"].as_array().map(Vec::len).expect("a plan");
    assert!(steps >= 6, "{}", ran.out);
    let held = home.export("vent");
    assert!(held.flash.iter().all(|byte| *byte == 0xFF));
    assert_eq!(held.fuses(), [0x62, 0x99, 0xFF], "factory configuration (8272, fuse bits)");
}

#[test]
fn a_loader_that_reset_does_not_start_is_not_written_over_unasked() {
    let home = Home::new();
    home.run("loader install --via sim:frost --yes").exits(0);
    home.run("configure reset-start=application --via sim:frost --yes --accept reset-into-empty-flash").exits(0);
    let fitted = home.export("frost");
    let application = home.file("application.hex", demo_application("frost"));
    let command = format!("write {} --via sim:frost --yes", application.display());
    home.run(&command).exits(3).says("loader-removed").says("farrier configure reset-start=loader");
    let held = home.export("frost");
    assert!(held.flash == fitted.flash && held.lock() == fitted.lock(), "nothing was touched without the consent");
    home.run("configure reset-start=loader --via sim:frost --yes").exits(0);
    home.run(&command).exits(0);
    assert!(home.export("frost").flash[0x7C00..] == fitted.flash[0x7C00..], "the loader stays");
}

#[test]
fn an_application_that_reset_would_start_in_its_middle_is_not_written_unasked() {
    let home = Home::new();
    home.run("configure reset-start=loader --via sim:frost --yes --accept reset-into-empty-flash").exits(0);
    // As shipped the boot section is the 4096 bytes from 0x7000 (8271, boot size configuration), and no loader is in it.
    let mut large = vec![0x0C; 0x7400];
    large[..4].copy_from_slice(&[0x0C, 0x94, 0x34, 0x00]);
    let image = home.file("large.bin", &large);
    let command = format!("write {} --at 0 --via sim:frost --yes", image.display());
    home.run(&command).exits(3).says("image-may-not-start").says("reset starts at 0x07000, in the middle of");
    home.run("configure reset-start=application --via sim:frost --yes --accept reset-into-empty-flash").exits(0);
    home.run(&command).exits(0);
}

/// What `verify` says of an application that is another one, lies elsewhere or was wiped; the kinds themselves have tests of their own.
#[test]
fn a_difference_is_explained() {
    let home = Home::new();
    home.file("vent.hex", demo_application("vent"));
    let image = farrier::image::parse(demo_application("vent").to_vec(), None).expect("the demo application");
    let mut bytes = image.flash().filled(Span::first(310), 0xFF);
    home.file("same.bin", &bytes);
    home.run("verify vent.hex --via sim:vent").exits(1).says("Nothing is there").says("wanted 0x45 (vent.hex), found 0xFF");
    home.run("write vent.hex --via sim:vent --yes").exits(0);
    home.run("verify same.bin --at 0x800 --via sim:vent").exits(1).says("all of same.bin, 0x800 bytes further down.");
    home.run("verify same.bin --at 0x800 --via sim:vent").says("Next: farrier write same.bin --at 0x00800 --via sim:vent");
    bytes[200] ^= 0x81;
    home.file("newer.bin", &bytes);
    let ran = home.run("verify newer.bin --at 0 --via sim:vent");
    ran.exits(1).says("another image, every byte of it: vent.hex (job 1, 20");
    // On the map a page that differs is not one that is as the image.
    ran.says("0x00100 to 0x00135").says("54 bytes").says("0x00000 to 0x000FF").says("256 bytes");
    let json = home.run("verify newer.bin --at 0 --via sim:vent --json").json();
    assert_eq!(json["differences"][0]["first"], 200);
    assert_eq!(json["differences"][0]["wanted_from"], "newer.bin");
    assert!(json["explanation"].as_str().is_some_and(|words| words.contains("vent.hex (job 1")));
}

/// A chip that starts no loader, one that the built-in loader is not built for, and one whose board only has to say where.
#[test]
fn a_chip_that_can_have_no_loader_is_told_why() {
    let home = Home::new();
    for part in ["attiny85", "atmega32hvb", "atmega328p"] {
        home.run(&format!("sim new {part} --board generic-{part}")).exits(0);
    }
    home.file("theirs.bin", &[0x0C; 64]);
    for rest in ["install", "install --loader serial"] {
        home.run(&format!("loader {rest} --via sim:attiny85 --yes")).exits(2).says("the ATtiny85 has no boot section");
    }
    for rest in ["install --loader theirs.bin --at 0x1F00", "remove"] {
        home.run(&format!("loader {rest} --via sim:attiny85 --yes")).exits(2).says("ATtiny85 always starts at 0x00000");
    }
    let refused = home.run("loader install --via sim:atmega32hvb --yes");
    refused.exits(2).says("the loader is not built for the ATmega32HVB").says("--loader FILE");
    home.run("loader install --via sim:atmega328p --yes").exits(2).says("names no loader").says("--loader FILE");
    home.run("loader install --loader serial --via sim:atmega328p --yes").exits(2).says("give its board file a [reservation]");
    let journal = home.run("journal --json");
    assert_eq!(journal.json()["jobs"].as_array().map(Vec::len), Some(0), "nothing was changed");
}
