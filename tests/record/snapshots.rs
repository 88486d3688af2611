//! Snapshots: what is saved comes back, what was damaged is found, nothing is written over.

use super::{date, name, vent, vent_info};
use farrier::image::{ByteAddress, Image, Span};
use farrier::plan::Observed;
use farrier::record::{Missing, RecordError, SnapshotInfo, Snapshots};
use proptest::prelude::*;
use std::fs;
use std::path::Path;
use tempfile::tempdir;

#[test]
fn what_is_saved_comes_back() {
    let root = tempdir().unwrap();
    let snapshots = Snapshots::open(root.path().join("deep/snapshots"));
    let saved = snapshots.save(&vent(), &vent_info()).unwrap();
    assert_eq!(saved, name("2025-11-25-080001-vent-north-wall"));

    let loaded = snapshots.load(&saved).unwrap();
    assert_eq!(loaded.observed, vent());
    assert_eq!(loaded.head.info, vent_info());
    assert!(loaded.head.is_complete());
    assert_eq!(snapshots.load(snapshots.path(&saved)).unwrap(), loaded);
}

#[test]
fn two_of_one_second_have_two_names() {
    let root = tempdir().unwrap();
    let snapshots = Snapshots::open(root.path());
    let first = snapshots.save(&vent(), &vent_info()).unwrap();
    let mut later = vent();
    later.lock = Some(0xFC);
    let second = snapshots.save(&later, &vent_info()).unwrap();
    assert_eq!(second.as_str(), "2025-11-25-080001-vent-north-wall-2");
    assert_eq!(snapshots.load(&first).unwrap().observed, vent());
    assert_eq!(snapshots.load(&second).unwrap().observed, later);
}

#[test]
fn a_name_that_something_else_has_is_left_alone() {
    let root = tempdir().unwrap();
    let taken = root.path().join("2025-11-25-080001-vent-north-wall");
    fs::write(&taken, "notes").unwrap();
    fs::create_dir(root.path().join("2025-11-25-080001-vent-north-wall-2")).unwrap();
    let saved = Snapshots::open(root.path()).save(&vent(), &vent_info()).unwrap();
    assert_eq!(saved.as_str(), "2025-11-25-080001-vent-north-wall-3");
    assert_eq!(fs::read_to_string(taken).unwrap(), "notes");
}

#[test]
fn what_was_not_read_is_named_with_its_reason() {
    let root = tempdir().unwrap();
    let snapshots = Snapshots::open(root.path());
    let mut observed = vent();
    observed.flash.bytes.remove(Span::sized(ByteAddress(512), 256).unwrap());
    observed.eeprom.bytes = Image::default();
    observed.eeprom.unreadable = Some("the lock bits forbid reading".to_owned());
    observed.calibration = None;
    let saved = snapshots.save(&observed, &vent_info()).unwrap();
    let loaded = snapshots.load(saved).unwrap();
    let missing = |what: &str, reason: &str| Missing { what: what.to_owned(), reason: reason.to_owned() };
    assert_eq!(
        loaded.head.missing,
        [
            missing("calibration byte", "not read"),
            missing("flash: 256 of 1024 bytes", "not read"),
            missing("eeprom: 32 of 32 bytes", "the lock bits forbid reading"),
        ]
    );
    assert!(!loaded.head.is_complete());
    assert_eq!(loaded.observed, observed);
}

#[test]
fn nothing_read_at_all_is_a_snapshot_too() {
    let root = tempdir().unwrap();
    let snapshots = Snapshots::open(root.path());
    let saved = snapshots.save(&Observed::nothing(), &vent_info()).unwrap();
    let loaded = snapshots.load(saved).unwrap();
    assert_eq!(loaded.observed, Observed::nothing());
    assert_eq!(loaded.head.missing.len(), 6);
}

#[test]
fn the_list_is_by_date_and_shows_the_unreadable_one() {
    let root = tempdir().unwrap();
    let snapshots = Snapshots::open(root.path());
    let mut early = vent_info();
    early.date = date(0) - std::time::Duration::from_secs(100_000);
    let second = snapshots.save(&vent(), &vent_info()).unwrap();
    let first = snapshots.save(&vent(), &early).unwrap();
    fs::create_dir(root.path().join(".unfinished-77-0")).unwrap();
    fs::create_dir(root.path().join("zz-empty")).unwrap();
    fs::write(root.path().join("zz-file"), "").unwrap();

    let list = snapshots.list().unwrap();
    let names: Vec<&str> = list.iter().map(|listed| listed.name.as_str()).collect();
    assert_eq!(names, [first.as_str(), second.as_str(), "zz-empty"]);
    assert_eq!(list[0].head.as_ref().unwrap().info, early);
    assert!(matches!(&list[2].head, Err(RecordError::NotASnapshot { .. })));
}

#[test]
fn snapshots_of_one_second_are_listed_as_they_were_taken() {
    let root = tempdir().unwrap();
    let snapshots = Snapshots::open(root.path());
    let taken = |board: &str, micros| {
        let info = SnapshotInfo { board: board.to_owned(), date: date(0) + std::time::Duration::from_micros(micros), ..vent_info() };
        snapshots.save(&vent(), &info).unwrap()
    };
    // By name they would stand the other way round.
    let mut names = vec![taken("vent", 10), taken("pump", 11), taken("frost", 999_999)];
    names.extend((0..11).map(|_| taken("frost", 999_999)));
    names.push(taken("a", 1_000_000));
    let listed: Vec<_> = snapshots.list().unwrap().into_iter().map(|listed| listed.name).collect();
    assert_eq!(listed, names);
}

#[test]
fn looking_leaves_no_trace() {
    let root = tempdir().unwrap();
    let snapshots = Snapshots::open(root.path().join("snapshots"));
    assert_eq!(snapshots.list().unwrap().len(), 0);
    let error = snapshots.load("2025-11-25-080001-vent").unwrap_err();
    assert!(matches!(&error, RecordError::NoSuchSnapshot { name, .. } if name == "2025-11-25-080001-vent"), "{error}");
    assert!(!root.path().join("snapshots").exists());
}

/// Saves the vent controller, changes one file of it by hand, and gives the error of loading it.
fn after(file: &str, change: impl Fn(&str) -> String) -> RecordError {
    let root = tempdir().unwrap();
    let snapshots = Snapshots::open(root.path());
    let saved = snapshots.save(&vent(), &vent_info()).unwrap();
    let path = snapshots.path(&saved).join(file);
    let before = fs::read_to_string(&path).unwrap();
    let changed = change(&before);
    assert_ne!(before, changed, "the change must be one");
    fs::write(&path, changed).unwrap();
    snapshots.load(saved).unwrap_err()
}

/// The CRC-32 of `text` by the bitwise definition (reflected, polynomial 0xEDB88320), so that a test can forge one.
fn crc32(text: &str) -> u32 {
    !text.bytes().fold(!0, |crc: u32, byte| {
        (0..8).fold(crc ^ u32::from(byte), |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0xEDB8_8320 } else { crc >> 1 })
    })
}

/// A record of Intel HEX.
fn record(address: u16, kind: u8, data: &[u8]) -> String {
    let mut bytes = vec![data.len() as u8, (address >> 8) as u8, address as u8, kind];
    bytes.extend(data);
    bytes.push(bytes.iter().fold(0u8, |sum, byte| sum.wrapping_sub(*byte)));
    bytes.iter().fold(":".to_owned(), |text, byte| text + &format!("{byte:02X}")) + "\n"
}

#[test]
fn a_byte_that_changed_is_found_with_both_sums() {
    let changed = record(0, 0, b"open at 99 C, shut at 19 C......") + &record(0, 1, &[]);
    let error = after("eeprom.hex", |_| changed.clone());
    let RecordError::Checksum { path, expected, found } = error else { panic!("{error}") };
    assert!(path.ends_with("2025-11-25-080001-vent-north-wall/eeprom.hex"));
    assert_eq!(expected, crc32("open at 24 C, shut at 19 C......"));
    assert_eq!(found, crc32("open at 99 C, shut at 19 C......"));
}

#[test]
fn bytes_that_moved_are_found() {
    let moved = record(16, 0, b"open at 24 C, shut at 19 C......") + &record(0, 1, &[]);
    let error = after("eeprom.hex", |_| moved.clone()).to_string();
    assert!(error.contains("should hold 0x00000 to 0x0001F, and holds 0x00010 to 0x0002F"), "{error}");
}

#[test]
fn configuration_that_changed_is_found() {
    let error = after("snapshot.toml", |text| text.replace("62 99 FF", "62 98 FF"));
    assert!(matches!(&error, RecordError::Checksum { path, .. } if path.ends_with("snapshot.toml")), "{error}");
}

#[test]
fn line_ends_do_not_count() {
    let root = tempdir().unwrap();
    let snapshots = Snapshots::open(root.path());
    let saved = snapshots.save(&vent(), &vent_info()).unwrap();
    for file in ["snapshot.toml", "flash.hex", "eeprom.hex"] {
        let path = snapshots.path(&saved).join(file);
        fs::write(&path, fs::read_to_string(&path).unwrap().replace('\n', "\r\n")).unwrap();
    }
    assert_eq!(snapshots.load(saved).unwrap().observed, vent());
}

#[test]
fn a_newer_format_is_said() {
    let error = after("snapshot.toml", |text| text.replace("format = 2\n", "format = 3\nunheard_of = true\n"));
    assert!(matches!(error, RecordError::TooNew { newest: 2, found: 3, .. }), "{error}");
}

#[test]
fn a_wrong_value_below_a_right_sum_is_said() {
    let forged = |from: &'static str, to: &'static str| {
        after("snapshot.toml", move |text| {
            let below = text.splitn(3, '\n').nth(2).unwrap().replace(from, to);
            format!("format = 2\ncrc32_below = \"0x{:08X}\"\n{below}", crc32(&below))
        })
        .to_string()
    };
    let error = forged("id_bytes = \"1E 97 05\"", "id_bytes = \"1E 97\"");
    assert!(error.ends_with("snapshot.toml: id_bytes has 2 bytes; expected 3"), "{error}");
    let error = forged("lock = \"FF\"", "lock = \"locked\"");
    assert!(error.contains("lock is \"locked\""), "{error}");
    let error = forged("simulated = true", "simulated = true\nsupper = 1");
    assert!(error.contains("unknown field `supper`"), "{error}");
    let error = forged("2025-11-25T08:00:01.000000Z", "today");
    assert!(error.contains("date is \"today\""), "{error}");
}

#[test]
fn a_missing_file_is_named() {
    let root = tempdir().unwrap();
    let snapshots = Snapshots::open(root.path());
    let saved = snapshots.save(&vent(), &vent_info()).unwrap();
    fs::remove_file(snapshots.path(&saved).join("flash.hex")).unwrap();
    let error = snapshots.load(saved).unwrap_err();
    assert!(matches!(&error, RecordError::File { path, .. } if path.ends_with("flash.hex")), "{error}");
}

#[test]
fn a_folder_that_is_none_is_named() {
    let root = tempdir().unwrap();
    let file = root.path().join("snapshots");
    fs::write(&file, "in the way").unwrap();
    let error = Snapshots::open(&file).save(&vent(), &vent_info()).unwrap_err();
    assert!(matches!(&error, RecordError::File { path, .. } if path == &file), "{error}");
    let error = Snapshots::open(&file).list().unwrap_err();
    assert!(matches!(&error, RecordError::File { path, .. } if path == &file), "{error}");
    assert_eq!(fs::read_to_string(&file).unwrap(), "in the way");
}

/// Every file below `root`, with its bytes.
fn files(root: &Path) -> Vec<(std::path::PathBuf, Vec<u8>)> {
    let mut found = Vec::new();
    for entry in fs::read_dir(root).unwrap() {
        let path = entry.unwrap().path();
        match path.is_dir() {
            true => found.extend(files(&path)),
            false => found.push((path.clone(), fs::read(path).unwrap())),
        }
    }
    found
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Whatever byte of whatever file is changed, or wherever the file ends: an error, or the very same contents; never other contents.
    #[test]
    fn a_changed_file_never_loads_as_something_else(at in any::<prop::sample::Index>(), to in any::<u8>(), cut in any::<bool>()) {
        let root = tempdir().unwrap();
        let snapshots = Snapshots::open(root.path());
        let saved = snapshots.save(&vent(), &vent_info()).unwrap();
        let files = files(root.path());
        let at = at.index(files.iter().map(|(_, bytes)| bytes.len()).sum());
        let mut before = 0;
        let (path, mut bytes) = files.into_iter().find(|(_, bytes)| { before += bytes.len(); at < before }).unwrap();
        let index = at + bytes.len() - before;
        match cut {
            true => bytes.truncate(index),
            false => bytes[index] = to,
        }
        fs::write(path, bytes).unwrap();
        if let Ok(loaded) = snapshots.load(saved) {
            prop_assert_eq!(loaded.observed, vent());
            prop_assert_eq!(loaded.head.info, vent_info());
        }
    }

    /// Sparse memories at any addresses come back as they were.
    #[test]
    fn any_contents_come_back(runs in prop::collection::vec((0u32..0x2_0000, prop::collection::vec(any::<u8>(), 1..600)), 0..6)) {
        let root = tempdir().unwrap();
        let snapshots = Snapshots::open(root.path());
        let mut observed = vent();
        observed.flash.bytes = Image::default();
        for (at, bytes) in &runs {
            observed.flash.bytes.overwrite(ByteAddress(*at), bytes);
        }
        let saved = snapshots.save(&observed, &vent_info()).unwrap();
        prop_assert_eq!(snapshots.load(saved).unwrap().observed, observed);
    }
}

/// Made by the first version of this program.
#[test]
fn a_snapshot_of_the_first_format_loads() {
    let loaded = Snapshots::open("nowhere").load("tests/record/data/snapshot-1").unwrap();
    assert_eq!((&loaded.observed, &loaded.head.info), (&vent(), &vent_info()));
    assert!(loaded.head.is_complete());
}

#[cfg(unix)]
mod stored_once {
    use super::*;
    use std::os::unix::fs::MetadataExt;

    fn inode(snapshots: &Snapshots, name: &farrier::record::SnapshotName, file: &str) -> (u64, u64) {
        let data = fs::metadata(snapshots.path(name).join(file)).unwrap();
        (data.ino(), data.nlink())
    }

    #[test]
    fn equal_contents_are_stored_once_and_a_deleted_snapshot_leaves_nothing() {
        let root = tempdir().unwrap();
        let snapshots = Snapshots::open(root.path());
        let mut later = vent();
        later.eeprom.bytes.overwrite(ByteAddress(0), b"shut");
        let (first, second) = (snapshots.save(&vent(), &vent_info()).unwrap(), snapshots.save(&later, &vent_info()).unwrap());
        // The two, and the one in the hidden folder.
        assert_eq!(inode(&snapshots, &first, "flash.hex"), inode(&snapshots, &second, "flash.hex"));
        assert_eq!(inode(&snapshots, &first, "flash.hex").1, 3);
        assert_ne!(inode(&snapshots, &first, "eeprom.hex").0, inode(&snapshots, &second, "eeprom.hex").0);

        fs::remove_dir_all(snapshots.path(&first)).unwrap();
        assert_eq!(snapshots.load(&second).unwrap().observed, later);
        let third = snapshots.save(&later, &vent_info()).unwrap();
        let kept = fs::read_dir(root.path().join(".contents")).unwrap().count();
        assert_eq!(kept, 2, "the deleted snapshot's EEPROM is gone");
        assert_eq!(inode(&snapshots, &third, "eeprom.hex").1, 3);
        assert_eq!(snapshots.list().unwrap().len(), 2);
    }

    #[test]
    fn a_file_that_somebody_changed_is_found_and_not_used_again() {
        let root = tempdir().unwrap();
        let snapshots = Snapshots::open(root.path());
        let first = snapshots.save(&vent(), &vent_info()).unwrap();
        let flash = snapshots.path(&first).join("flash.hex");
        let text = fs::read_to_string(&flash).unwrap();
        // Both links show it.
        fs::write(&flash, text.replacen('7', "8", 1)).unwrap();
        let second = snapshots.save(&vent(), &vent_info()).unwrap();
        assert!(snapshots.load(&first).is_err());
        assert_eq!(snapshots.load(&second).unwrap().observed, vent());
        let third = snapshots.save(&vent(), &vent_info()).unwrap();
        assert_eq!(inode(&snapshots, &second, "flash.hex").0, inode(&snapshots, &third, "flash.hex").0);
    }

    #[test]
    fn where_nothing_can_be_linked_snapshots_are_copies() {
        let root = tempdir().unwrap();
        fs::write(root.path().join(".contents"), "a file where the folder should be").unwrap();
        let snapshots = Snapshots::open(root.path());
        for _ in 0..2 {
            let saved = snapshots.save(&vent(), &vent_info()).unwrap();
            assert_eq!(inode(&snapshots, &saved, "flash.hex").1, 1);
            assert_eq!(snapshots.load(&saved).unwrap().observed, vent());
        }
    }

    /// A checksum that was made to fit does not help: the SHA-256 is of the bytes.
    #[test]
    fn bytes_that_were_changed_with_their_crc_are_found() {
        let error = after("snapshot.toml", |text| {
            let below = text.splitn(3, '\n').nth(2).unwrap();
            let sum = vent().flash.bytes.sha256().to_string();
            let below = below.replace(&sum, &"0".repeat(64));
            format!("format = 2\ncrc32_below = \"0x{:08X}\"\n{below}", crc32(&below))
        });
        assert!(error.to_string().contains("SHA-256"), "{error}");
    }
}
