//! The committed loaders and demo applications: built from their source, within their reservation.

use super::{program, run};
use farrier::board::Catalog;
use std::collections::BTreeMap;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

pub const BOARDS: [&str; 3] = ["vent", "pump", "frost"];

/// What `boards/loaders/build.sh` makes now: laid out as `boards/` is, and the ELF files in `elf/` (`serial-atmega8.elf` a loader,
/// `vent.elf` a demo application, which has an `.eeprom` section there). Built once in a test run.
pub fn built() -> &'static Path {
    static BUILT: OnceLock<(PathBuf, File)> = OnceLock::new();
    let (folder, _lock) = BUILT.get_or_init(|| {
        let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("boards-built");
        fs::create_dir_all(&folder).unwrap();
        // Held until this test program ends, so that another one does not build underneath it.
        let lock = File::create(folder.join("lock")).unwrap();
        lock.lock().unwrap();
        program("avr-gcc");
        program("avr-objcopy");
        run(Command::new("bash").arg(boards().join("loaders/build.sh")).arg(&folder));
        (folder, lock)
    });
    folder
}

fn boards() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("boards")
}

/// A board's loader as it is installed, by addresses.
pub fn loader(board: &str) -> BTreeMap<u32, u8> {
    let (board, chip) = Catalog::built_in().board(board).unwrap();
    let image = farrier::diagnosis::own_loader(&board, &chip).unwrap().image;
    image.runs().flat_map(|(at, run)| (at.0..).zip(run.iter().copied())).collect()
}

fn application_hex(board: &str) -> PathBuf {
    boards().join(format!("demo-applications/{board}.hex"))
}

/// What a board's loader says after reset.
pub fn greeting(board: &str) -> String {
    format!("farrier {board}\r\n")
}

/// What a board's demo application says when it starts.
pub fn ready(board: &str) -> String {
    format!("{board} controller ready\r\n")
}

/// A board's demo application as a raw binary from address 0 on.
pub fn application(board: &str) -> Vec<u8> {
    let bytes = read_hex(&application_hex(board));
    let end = *bytes.keys().last().unwrap() + 1;
    (0..end).map(|at| bytes.get(&at).copied().unwrap_or(0xFF)).collect()
}

/// The bytes of a HEX file by their addresses.
pub fn read_hex(path: &Path) -> BTreeMap<u32, u8> {
    let text = fs::read_to_string(path).unwrap();
    let mut bytes = BTreeMap::new();
    let mut base = 0;
    for record in ihex::Reader::new(&text) {
        match record.unwrap() {
            ihex::Record::Data { offset, value } => bytes.extend((base + u32::from(offset)..).zip(value)),
            ihex::Record::ExtendedSegmentAddress(segment) => base = u32::from(segment) * 16,
            ihex::Record::ExtendedLinearAddress(upper) => base = u32::from(upper) << 16,
            _ => {}
        }
    }
    bytes
}

/// Every file that build.sh makes, below a folder laid out as `boards/` is.
fn made_files(root: &Path) -> Vec<String> {
    let folders = ["loaders/serial", "demo-applications"];
    let files = folders.iter().flat_map(|folder| fs::read_dir(root.join(folder)).unwrap().map(move |entry| (folder, entry.unwrap())));
    let mut names: Vec<String> = files.map(|(folder, file)| format!("{folder}/{}", file.file_name().display())).collect();
    names.retain(|name| name.ends_with(".hex") || name.ends_with(".csv"));
    names.sort();
    names
}

#[test]
fn the_committed_files_are_what_their_source_builds() {
    let names = made_files(&boards());
    assert_eq!(names, made_files(built()), "every file that is built is committed, and no other");
    assert!(names.len() > 30);
    for name in names {
        let now = fs::read(built().join(&name)).unwrap();
        let then = fs::read(boards().join(&name)).unwrap();
        assert!(now == then, "boards/{name} is not what boards/loaders/build.sh builds here; run it and look at the change");
    }
}

/// The loader runs from any boot section because nothing in it has an address of its own: linked elsewhere it is the same.
#[test]
fn a_loader_is_the_same_wherever_it_is_linked() {
    for (part, start) in [("atmega328p", "0x7800"), ("atmega2560", "0x3F000"), ("atmega8", "0x1800"), ("at90usb1286", "0x1F000")] {
        let elf = built().join("elf");
        let moved = elf.join(format!("moved-{part}.elf"));
        let script = boards().join("loaders/build.sh");
        run(Command::new("bash").arg(script).args(["--one", part, start]).arg(&moved));
        let bytes = |from: &Path| {
            let to = from.with_extension("moved-bin");
            run(Command::new(program("avr-objcopy")).args(["-O", "binary"]).arg(from).arg(&to));
            fs::read(to).unwrap()
        };
        assert_eq!(bytes(&moved), bytes(&elf.join(format!("serial-{part}.elf"))), "{part}");
    }
}

#[test]
fn each_application_starts_at_0_and_stays_below_the_reservation() {
    for board in BOARDS {
        let reservation = Catalog::built_in().board(board).unwrap().0.reservation.unwrap();
        let bytes = read_hex(&application_hex(board));
        assert_eq!(*bytes.keys().next().unwrap(), 0);
        assert!(*bytes.keys().last().unwrap() < reservation.span.start().0);
    }
}
