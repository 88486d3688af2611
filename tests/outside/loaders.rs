//! The committed loaders and demo applications: built from their source, within their reservation.

use super::{program, run};
use farrier::board::Catalog;
use std::collections::BTreeMap;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

pub const BOARDS: [&str; 3] = ["vent", "pump", "frost"];

/// What `boards/loaders/build.sh` makes now: laid out as `boards/` is, and the ELF files in `elf/` (`serial-vent.elf` the loader,
/// `vent.elf` the demo application, which has an `.eeprom` section there). Built once in a test run.
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

pub fn loader_hex(board: &str) -> PathBuf {
    boards().join(format!("loaders/serial-{board}/serial-{board}.hex"))
}

pub fn application_hex(board: &str) -> PathBuf {
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

#[test]
fn the_committed_files_are_what_their_source_builds() {
    for board in BOARDS {
        for committed in [loader_hex(board), application_hex(board)] {
            let name = committed.strip_prefix(boards()).unwrap();
            let now = fs::read(built().join(name)).unwrap();
            let then = fs::read(&committed).unwrap();
            assert!(
                now == then,
                "boards/{} is not what boards/loaders/build.sh builds here; run it and look at the change",
                name.display()
            );
        }
    }
}

#[test]
fn every_built_file_is_committed_and_no_other() {
    let hex_files = |root: &Path| -> Vec<String> {
        let folders = ["loaders/serial-vent", "loaders/serial-pump", "loaders/serial-frost", "demo-applications"];
        let files = folders.iter().flat_map(|folder| fs::read_dir(root.join(folder)).unwrap().map(move |entry| (folder, entry.unwrap())));
        let mut names: Vec<String> = files.map(|(folder, file)| format!("{folder}/{}", file.file_name().display())).collect();
        names.retain(|name| name.ends_with(".hex"));
        names.sort();
        names
    };
    assert_eq!(hex_files(&boards()), hex_files(built()));
}

#[test]
fn each_loader_lies_in_its_reservation_and_is_small_enough() {
    for (board, most) in [("vent", 2048), ("pump", 2048), ("frost", 1024)] {
        let reservation = Catalog::built_in().board(board).unwrap().0.reservation.unwrap();
        let bytes = read_hex(&loader_hex(board));
        let (first, last) = (*bytes.keys().next().unwrap(), *bytes.keys().last().unwrap());
        assert_eq!(reservation.loader.as_deref(), Some(format!("serial-{board}").as_str()));
        assert_eq!(first, reservation.span.start().0, "{board}: reset starts at the first byte");
        assert!(last < reservation.span.end().0, "{board}: up to 0x{last:05X}");
        assert!(bytes.len() <= most, "{board}: {} bytes", bytes.len());
        let embedded = farrier::board::catalog::loader(&format!("serial-{board}")).unwrap();
        assert_eq!(embedded, fs::read(loader_hex(board)).unwrap());
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
