//! `write --way fitted-loader` and `--watch`, as far as they come without a port.

use super::at_a_port::run_at_a_port;
use super::loader::demo_application;
use super::{Home, Ran};
use std::thread;
use std::time::Duration;

fn home() -> Home {
    let home = Home::new();
    home.file("vent.hex", demo_application("vent"));
    home
}

#[test]
fn what_can_be_known_beforehand_stops_it_before_the_port_is_touched() {
    let home = home();
    let write = "write vent.hex --way fitted-loader --board vent";
    home.run(write).exits(2).says("Give --via PORT");
    // Nobody is asked for a consent before the port is there.
    for (port, code, says) in [("sim:vent", 2, "sim:vent is no serial port of a board"), ("/dev/nowhere", 4, "/dev/nowhere")] {
        let ran = home.run(&format!("{write} --via {port}"));
        ran.exits(code).says(says);
        assert!(!ran.err.contains("consent"), "{}", ran.err);
    }
    home.run(&format!("{write} --dry-run")).exits(0).says("at 38400 baud: 310 bytes").says("nothing was changed").says("--via PORT");
    home.run("write vent.hex --way fitted-loader").exits(2).says("Give --board NAME");
    home.run("write vent.hex --way fitted-loader --board generic-atmega1284p").exits(2).says("reserves no flash for a loader");
    home.run(&format!("{write} --rehearse")).exits(2).says("neither rehearsed nor planned");
    let big = vec![0x11; 0x1F801];
    home.file("big.bin", &big);
    home.run("write big.bin --at 0 --way fitted-loader --board vent").exits(3).says("image-overlaps-loader");
}

#[test]
fn watching_needs_a_port_and_a_board_that_runs_firmware() {
    let home = home();
    let ran = home.run("write vent.hex --via sim:vent --watch 20 --yes");
    ran.exits(2).says("runs no firmware").says("Nothing was changed").says("farrier write vent.hex --via sim:vent --yes");
    // Where nothing is to be changed as well.
    home.run("write vent.hex --via sim:vent --yes").exits(0);
    home.run("write vent.hex --via sim:vent --watch").exits(2).says("runs no firmware");
    home.run("write vent.hex --via sim:vent --watch --dry-run").exits(0).says("Nothing was changed");
    home.run("write vent.hex --via sim:vent --yes --watch 0").exits(2).says("from 1 to 3600");
    home.run("inspect --via sim:vent --watch").exits(2).says("does not take --watch");
}

/// The safety words that only the first write to a board shows, and the board's own caution that each shows.
const FIRST: &str = "Never feed a board from two supplies.";
const OWN: &str = "The vent motors can start as soon as the firmware starts.";

#[test]
fn consents_are_asked_for_at_an_open_port_and_nothing_is_sent_without() {
    let home = home();
    let mut sent = 0;
    let mut at_the_port = |line: &str| {
        run_at_a_port(&home, line, |bytes| {
            sent += bytes.len();
            b"C".to_vec()
        })
    };
    let write = "write vent.hex --way fitted-loader --board vent --via PORT";
    at_the_port(write).exits(3).says("consent is missing for no-snapshot-possible").says("there will be no way back").says(FIRST).says(OWN);
    at_the_port(&format!("{write} --accept no-snapshot-possible")).exits(3).says("nobody is here to say yes");
    assert_eq!(sent, 0);
    assert_eq!(home.run("journal --json").json()["jobs"].as_array().map(Vec::len), Some(0));
}

#[test]
fn the_safety_words_come_in_full_with_the_first_write_to_a_board() {
    let home = home();
    let dry = "write vent.hex --way fitted-loader --board vent --dry-run";
    home.run(dry).exits(0).says(FIRST).says(OWN);
    write_to_loader(&home, "vent.hex", None).exits(0).says(FIRST).says(OWN);
    for ran in [write_to_loader(&home, "vent.hex", None), home.run("loader install --via sim:vent --dry-run")] {
        assert!(!ran.exits(0).says(OWN).out.contains(FIRST), "{}", ran.out);
    }
    let other = "write frost.hex --way fitted-loader --board frost --dry-run";
    home.file("frost.hex", demo_application("frost"));
    home.run(other).exits(0).says(FIRST);
}

const BLOCK: usize = 3 + 128 + 2;
const SOH: u8 = 0x01;
const EOT: u8 = 0x04;
const ACK: u8 = 0x06;
const CAN: u8 = 0x18;

/// Sends `image` to a receiver that takes every block, or ends the transfer at the block of this number.
fn write_to_loader(home: &Home, image: &str, refuses: Option<usize>) -> Ran {
    write_to_loader_of(home, "vent", image, refuses)
}

fn write_to_loader_of(home: &Home, board: &str, image: &str, refuses: Option<usize>) -> Ran {
    let (mut heard, mut blocks) = (Vec::new(), 0);
    let line = format!("write {image} --way fitted-loader --board {board} --via LINK --yes --accept no-snapshot-possible");
    run_at_a_port(home, &line, |bytes| {
        thread::sleep(Duration::from_millis(5));
        heard.extend_from_slice(bytes);
        match heard.first() {
            None if blocks == 0 => b"C".to_vec(),
            Some(&SOH) if heard.len() >= BLOCK => {
                heard.drain(..BLOCK);
                blocks += 1;
                if refuses == Some(blocks) { vec![CAN, CAN] } else { vec![ACK] }
            }
            Some(&EOT) => {
                heard.clear();
                vec![ACK]
            }
            _ => Vec::new(),
        }
    })
}

#[test]
fn a_write_through_the_loader_is_a_job_in_the_journal() {
    let home = home();
    write_to_loader(&home, "vent.hex", None).exits(0).says("Job          1, without a snapshot");
    home.run("journal").exits(0).says("finished; no snapshot: a loader reads nothing out").says("write vent.hex --way fitted-loader");
    let shown = home.run("journal show 1");
    shown.exits(0).says("arrived with the right CRC").says("nothing was kept").says("vent.hex: 310 bytes").says("write application");
    shown.says("no-snapshot-possible (accepted)");
    let document = home.run("journal show 1 --json").json();
    let hex = farrier::image::parse(demo_application("vent").to_vec(), None).expect("its HEX is right");
    assert_eq!(document["images"][0]["sha256"], hex.flash().sha256().to_string());
    assert!(document["baseline"].is_null() && document["before"].is_null());
    home.run("journal export jobs.csv").exits(0);
    home.run("journal report 1 page.html").exits(0);
    let page = std::fs::read_to_string(home.path().join("page.html")).expect("the page");
    assert!(page.contains("reads nothing out") && !page.contains("Configuration and lock"), "{page}");
    home.run("explain --last").exits(0).says("no-snapshot-possible").says("there is no way back");
    home.run("undo 1 --via sim:vent").exits(2).says("nothing was kept to go back to");
}

#[test]
fn a_transfer_that_is_cut_stays_unfinished_until_the_same_command_ends_it() {
    let home = home();
    write_to_loader(&home, "vent.hex", Some(2)).exits(4).says("the same command sends it again");
    home.run("journal show 1").exits(0).says("The same command again sends all of it").says("the loader ended the transfer at block 2");
    // Another command through the programming header is none of its business: it has its own baseline.
    home.run("loader install --via sim:vent --yes").exits(0);
    home.run("journal --unfinished").exits(0).says("unfinished: 0 of 1 steps");
    // Another application is another command; the same one goes on.
    home.file("other.hex", demo_application("vent"));
    write_to_loader(&home, "other.hex", Some(3)).exits(4);
    write_to_loader(&home, "vent.hex", None).exits(0);
    home.run("journal show 1").exits(0).says("job 4 went on from it");
    home.run("journal close 3").exits(0).says("it had kept nothing");
    home.run("journal --unfinished").exits(0).says("None of the 4 jobs");
}

#[test]
fn verify_knows_what_went_through_the_loader() {
    let home = home();
    let mut other = demo_application("vent").to_vec();
    home.file("spring.hex", &other);
    home.run("write spring.hex --via sim:vent --yes").exits(0);
    // The journal forgets that, so that only the job through the loader can tell.
    std::fs::remove_file(home.path().join("journal.sqlite")).expect("the journal");
    write_to_loader(&home, "spring.hex", None).exits(0);
    other = demo_application("frost").to_vec();
    home.file("frost.hex", &other);
    home.run("verify frost.hex --via sim:vent").exits(1).says("spring.hex (job 1, ");
}

/// A job through the programming header is cut off behind the loader, and the loader takes an application.
#[test]
fn an_application_that_the_loader_took_after_a_cut_is_not_lost_unasked() {
    let home = Home::new();
    let image = |seed: usize, len: usize| [0x0C, 0x94, 0x34, 0x00].into_iter().chain((0..len).map(|n| (n * seed % 255) as u8)).collect();
    let (old, other, spring): (Vec<u8>, Vec<u8>, Vec<u8>) = (image(5, 4_000), image(11, 4_000), image(7, 1_500));
    for (name, bytes) in [("old.bin", &old), ("other.bin", &other), ("spring.bin", &spring)] {
        home.file(name, bytes);
    }
    home.run("sim new v --board frost").exits(0);
    home.run("write old.bin --at 0 --via sim:v --yes").exits(0);
    home.run("loader install --via sim:v --yes").exits(0);
    assert!(!write_to_loader_of(&home, "frost", "spring.bin --at 0", None).exits(0).out.contains("Cut off"));
    home.run("sim damage v power-cut=135").exits(0);
    assert_ne!(home.run("write other.bin --at 0 --via sim:v --yes").code, 0);
    home.run("sim repair v").exits(0);
    let shown = home.run("journal show 4");
    let in_hand = shown.out.lines().find(|line| line.contains("begun, not finished")).unwrap_or_default();
    assert!(in_hand.contains("write application"), "choose another moment: {}", shown.out);

    write_to_loader_of(&home, "frost", "spring.bin --at 0", None).exits(0).says("Cut off: job 4").says("go on with it first");
    let store = farrier::sim::Store::open(home.path().join("sims"), farrier::board::Catalog::built_in());
    store.open_sim("v").expect("the sim").sim().edit(|contents| contents.flash[..spring.len()].copy_from_slice(&spring));
    let configure = "configure brown-out=below-1v8 --via sim:v --yes";
    home.run(configure)
        .exits(3)
        .says("Job 5 sent spring.bin to the board's loader after job 4 was cut off")
        .says("farrier journal close 4");
    assert_eq!(home.export("v").flash[..spring.len()], spring);
    // Whoever accepts it has what was there before job 4. The link to the port leads nowhere by now.
    std::fs::remove_file(home.path().join("port")).expect("the link");
    let accepts = home.copy();
    accepts.run(&format!("{configure} --accept application-changed-since")).exits(0);
    assert_eq!(accepts.export("v").flash[..old.len()], old);
    home.run("journal close 4").exits(0);
    home.run(configure).exits(0);
    assert_eq!(home.export("v").flash[..spring.len()], spring);
}
