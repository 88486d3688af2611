//! `bridges make`: the firmware comes out as it was built, goes where it may, and over nothing.

use super::Home;
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
