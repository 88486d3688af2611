//! `bridges make`: the firmware comes out as it was built, goes where it may, and over nothing.

use super::Home;
use crate::image::make::record;
use std::path::Path;

const UF2: &str = "bridge-rp2040.uf2";
const INFO: &str = "INFO_UF2.TXT";

/// An image as it lies in this project.
fn built(name: &str) -> Vec<u8> {
    std::fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("hardware-notes/bridge/images").join(name)).expect("a built image")
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        std::fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry").file_name().to_string_lossy().into()).collect();
    names.sort();
    names
}

/// A folder that looks as the USB drive of a chip with a UF2 loader does.
fn drive(home: &Home, name: &str, id: &str) -> std::path::PathBuf {
    let folder = home.path().join(name);
    std::fs::create_dir(&folder).expect("a folder");
    std::fs::write(folder.join(INFO), format!("UF2 loader\r\nModel: made up\r\nBoard-ID: {id}\r\n")).expect("a file");
    folder
}

#[test]
fn the_image_is_written_whole_and_never_over_another_file() {
    let home = Home::new();
    let out = home.path().join("out");
    std::fs::create_dir(&out).expect("a folder");
    home.run("bridges make rp2040 --to out")
        .exits(0)
        .says("Written out/bridge-rp2040.uf2")
        .says("Hold the board's button")
        .says("Next: farrier ");
    assert_eq!(std::fs::read(out.join(UF2)).expect("the image"), built(UF2));
    home.run("bridges make rp2040 --to out").exits(0).says("the same already");
    std::fs::write(out.join(UF2), b"mine").expect("a file");
    home.run("bridges make rp2040 --to out").exits(3).says("with other contents").says("Nothing was written.");
    assert_eq!(std::fs::read(out.join(UF2)).expect("the file"), b"mine");
    assert_eq!(names(&out), [UF2], "nothing else is left there");
    home.run("bridges make rp2040 --to nowhere").exits(2).says("nowhere/bridge-rp2040.uf2 cannot be written");
    let json = home.run("bridges make rp2040 --image bridge-rp2040.hex --to out --json").json();
    assert_eq!((&json["state"], &json["image"]), (&"written".into(), &"bridge-rp2040.hex".into()));
    assert_eq!(std::fs::read(out.join("bridge-rp2040.hex")).expect("the image"), built("bridge-rp2040.hex"));
}

#[test]
fn the_chips_own_drive_gets_the_image_and_no_other_drive_does() {
    let home = Home::new();
    let own = drive(&home, "own", "RPI-RP2");
    home.run("bridges make rp2040 --to own").exits(0).says("Copied own/bridge-rp2040.uf2");
    assert_eq!(std::fs::read(own.join(UF2)).expect("the image"), built(UF2));
    home.run("bridges make rp2040 --to own --image bridge-rp2040.hex").exits(3).says("takes UF2 files");
    let other = drive(&home, "other", "MADE-UP-1");
    home.run("bridges make rp2040 --to other").exits(3).says("the drive of another chip: MADE-UP-1");
    assert_eq!((names(&own), names(&other)), (vec![INFO.to_owned(), UF2.to_owned()], vec![INFO.to_owned()]));
}

#[test]
fn what_there_is_none_of_is_said() {
    let home = Home::new();
    home.run("bridges make gpio").exits(0).says("It needs no firmware").says("farrier connections --bridge gpio");
    home.run("bridges make bent").exits(2).says("there are: atmega328p, gpio or rp2040");
    home.run("bridges make rp2040 --image bent.uf2").exits(2).says("these images: bridge-rp2040.uf2, bridge-rp2040.hex");
    assert_eq!(names(home.path()), Vec::<String>::new());
}

/// Puts the image in `file` on a simulated bridge board, sets its configuration, and holds what the silicon then has against it.
fn becomes_a_bridge(home: &Home, file: &str) {
    home.run("sim new next --board bridge-atmega328p").exits(0);
    home.run(&format!("write {file} --board bridge-atmega328p --via sim:next --yes")).exits(0).says("Done.");
    let board = farrier::board::Catalog::built_in().board("bridge-atmega328p").expect("a built-in board").0;
    let fields: String = board.expected_configuration.iter().map(|(field, value)| format!(" {field}={value}")).collect();
    home.run(&format!("configure{fields} --board bridge-atmega328p --via sim:next --yes")).exits(0).says("Done.");
    let hex = std::fs::read(home.path().join(file)).expect("the image");
    let image = farrier::image::parse(hex, None).expect("a HEX file");
    let held = home.export("next");
    assert_eq!(held.flash, image.flash().filled(farrier::image::Span::first(0x8000), 0xFF));
    // 8271, fuse bits: low 0xFF is a crystal of 8 to 16 MHz with the longest wait, undivided; high 0xD9 as shipped starts at address 0;
    // extended 0xFC resets below 4.3 V.
    assert_eq!(held.fuses(), [0xFF, 0xD9, 0xFC]);
}

#[test]
fn a_bridge_board_is_written_like_any_other_board() {
    let home = Home::new();
    // A jump to 0x0068, as a program with a table of vectors begins; the rest is made up.
    let bytes: Vec<u8> = [0x0C, 0x94, 0x34, 0x00].into_iter().chain((4..2_000_u32).map(|n| (n * 7 + n / 256) as u8)).collect();
    let lines = bytes.chunks(16).zip((0_u16..).step_by(16)).map(|(chunk, at)| record(0, at, chunk) + "\n");
    home.file("made-up.hex", (lines.collect::<String>() + ":00000001FF\n").as_bytes());
    becomes_a_bridge(&home, "made-up.hex");
}

/// Every image that the project has for the ATmega328P, as `bridges make` gives it out, makes a bridge of a simulated board.
#[test]
fn each_image_makes_a_bridge_and_all_that_are_there_are_known() {
    let described: Vec<String> =
        farrier::board::bridge_kinds().expect("kinds").into_iter().flat_map(|kind| kind.images).map(|image| image.file).collect();
    for image in names(&Path::new(env!("CARGO_MANIFEST_DIR")).join("hardware-notes/bridge/images")) {
        assert!(described.contains(&image), "no bridge file names {image}");
        assert_eq!(farrier::board::bridge_image(&image), Some(built(&image).as_slice()), "{image}");
        if !image.starts_with("bridge-atmega328p") {
            continue;
        }
        let home = Home::new();
        let ran = home.run(&format!("bridges make atmega328p --image {image}"));
        ran.exits(0).says("needs a working bridge").says(&format!("Next: farrier write ./{image} --board bridge-atmega328p --via WHERE"));
        becomes_a_bridge(&home, &image);
    }
}
