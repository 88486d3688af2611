//! Simulated boards on disk.

use farrier::board::Catalog;
use farrier::bus::{Bus, Drive, Line, Operation};
use farrier::sim::{Fault, OpenSim, Store, StoreError};
use farrier::units::Hertz;
use std::fs;
use std::path::Path;
use std::time::Duration;
use tempfile::TempDir;

/// A store under a fresh folder.
fn store() -> (TempDir, Store) {
    let root = tempfile::tempdir().expect("a folder");
    let store = Store::open(root.path().join("sims"), Catalog::built_in());
    (root, store)
}

fn one(seed: u64) -> (TempDir, Store) {
    let (root, store) = store();
    store.create("bench", "vent", seed).expect("created");
    (root, store)
}

fn open(store: &Store) -> OpenSim {
    store.open_sim("bench").expect("opened")
}

/// Enters programming mode and sends these instructions, each with time to finish.
fn send(open: &OpenSim, instructions: &[[u8; 4]]) {
    let mut bus = open.sim().direct_bus();
    let mut list = vec![
        Operation::SpiClock(Hertz(200_000)),
        Operation::Line { line: Line::Reset, drive: Drive::Low },
        Operation::Delay(Duration::from_millis(20)),
        Operation::Transfer(vec![0xAC, 0x53, 0, 0]),
    ];
    for instruction in instructions {
        list.extend([Operation::Transfer(instruction.to_vec()), Operation::Delay(Duration::from_millis(9))]);
    }
    bus.run(&list).expect("carried out");
}

#[test]
fn a_new_sim_is_as_shipped() {
    let (_root, store) = one(1);
    let contents = open(&store).sim().contents();
    assert_eq!((contents.flash.len(), contents.eeprom.len()), (131_072, 4_096));
    assert!(contents.flash.iter().chain(&contents.eeprom).all(|byte| *byte == 0xFF));
    assert_eq!((contents.fuses.as_slice(), contents.lock), ([0x62, 0x99, 0xFF].as_slice(), 0xFF));
}

#[test]
fn the_next_command_sees_the_same_board() {
    let (_root, store) = one(1);
    {
        let open = open(&store);
        let word = [[0x40, 0, 0, 0x34], [0x48, 0, 0, 0x12], [0x4C, 0, 0x80, 0]];
        send(&open, &[word[0], word[1], word[2], [0xC0, 0, 3, 0x77], [0xAC, 0xA0, 0, 0xE2], [0xAC, 0xE0, 0, 0xCF]]);
        open.sim().damage(Fault::OpenMiso);
    }
    let open = open(&store);
    let contents = open.sim().contents();
    assert_eq!(&contents.flash[0x100..0x102], [0x34, 0x12]);
    assert_eq!((contents.eeprom[3], contents.fuses[0], contents.lock), (0x77, 0xE2, 0xCF));
    assert_eq!(open.sim().faults(), [Fault::OpenMiso]);
    assert_eq!((open.sim().violations().count, open.sim().operations()), (0, 16));
}

#[test]
fn a_process_that_dies_loses_nothing_that_was_written() {
    let (root, store) = one(1);
    let open = open(&store);
    send(&open, &[[0xC0, 0, 1, 0x11], [0xAC, 0xA0, 0, 0xE2], [0x40, 0, 0, 0], [0x4C, 0, 0, 0], [0xC0, 0, 2, 0x22], [0x99, 0, 0, 0]]);
    // What is on disk now is all that a killed process would leave.
    let copy = root.path().join("copy/bench");
    copy_folder(&root.path().join("sims/bench"), &copy);
    let after = Store::open(root.path().join("copy"), Catalog::built_in());
    let opened = after.open_sim("bench").expect("opened");
    assert_eq!(opened.sim().contents(), open.sim().contents());
    assert_eq!(opened.sim().contents().eeprom[..3], [0xFF, 0x11, 0x22]);
    assert_eq!(opened.sim().violations().count, 1);
}

fn copy_folder(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("a folder");
    for entry in fs::read_dir(from).expect("readable") {
        let entry = entry.expect("readable");
        fs::copy(entry.path(), to.join(entry.file_name())).expect("copied");
    }
}

#[test]
fn a_power_cut_is_over_with_the_next_command() {
    let (_root, store) = one(1);
    {
        let open = open(&store);
        open.sim().damage(Fault::PowerCutInstructions(2));
        let mut bus = open.sim().direct_bus();
        let reset = Operation::Line { line: Line::Reset, drive: Drive::Low };
        let erase = [0xAC, 0x53, 0, 0, 0xAC, 0x80, 0, 0, 0xF0, 0, 0, 0];
        open.sim().edit(|contents| contents.flash.fill(0));
        let list =
            [Operation::SpiClock(Hertz(200_000)), reset, Operation::Delay(Duration::from_millis(20)), Operation::Transfer(erase.to_vec())];
        assert!(bus.run(&list).is_err());
    }
    let open = open(&store);
    assert_eq!(open.sim().faults(), []);
    let flash = open.sim().contents().flash;
    assert!(flash.iter().any(|byte| *byte != 0) && flash.iter().any(|byte| *byte != 0xFF), "the erase was cut");
    send(&open, &[[0xAC, 0x80, 0, 0]]);
    assert!(open.sim().contents().flash.iter().all(|byte| *byte == 0xFF));
    assert_eq!(open.sim().violations().count, 0);
}

#[test]
fn one_process_at_a_time() {
    let (_root, store) = one(1);
    let first = open(&store);
    assert!(matches!(store.open_sim("bench"), Err(StoreError::InUse { .. })));
    drop(first);
    assert!(store.open_sim("bench").is_ok());
}

#[test]
fn names_are_checked() {
    let (_root, store) = one(1);
    for name in ["", "Bench", "a b", "-v", "."] {
        assert!(matches!(store.create(name, "vent", 1), Err(StoreError::BadName { .. })), "{name:?}");
        assert!(!store.exists(name), "{name:?}");
    }
    assert!(matches!(store.create("bench", "vent", 1), Err(StoreError::Exists { .. })));
    assert!(matches!(store.create("other", "no-such-board", 1), Err(StoreError::Board(_))));
    assert!(matches!(store.open_sim("other"), Err(StoreError::Unknown { known, .. }) if known == ["bench"]));
}

#[test]
fn the_list_shows_each_sim() {
    let (_root, store) = one(5);
    assert_eq!(store.list().expect("listed").len(), 1);
    store.create("attic", "frost", 6).expect("created");
    open(&store).sim().damage("locked-chip".parse().expect("a fault"));
    let list = store.list().expect("listed");
    assert_eq!(list.iter().map(|one| (one.name.as_str(), one.board.as_str())).collect::<Vec<_>>(), [("attic", "frost"), ("bench", "vent")]);
    assert_eq!((list[1].chip.as_str(), list[1].seed, list[1].faults.clone()), ("ATmega1284P", 5, Some(vec![Fault::LockedChip(3)])));
}

#[test]
fn export_writes_what_the_silicon_holds() {
    let (root, store) = one(1);
    let open = open(&store);
    send(&open, &[[0xC0, 0, 3, 0x77], [0x99, 0, 0, 0]]);
    open.sim().damage(Fault::OpenMiso);
    let folder = root.path().join("out/here");
    open.export(&folder).expect("exported");
    let flash = fs::read(folder.join("flash.bin")).expect("readable");
    assert!(flash.len() == 131_072 && flash.iter().all(|byte| *byte == 0xFF));
    assert_eq!(fs::read(folder.join("eeprom.bin")).expect("readable")[3], 0x77);
    let state: serde_json::Value = serde_json::from_slice(&fs::read(folder.join("state.json")).expect("readable")).expect("JSON");
    assert_eq!(state["chip"], "ATmega1284P");
    assert_eq!(state["fuses"], serde_json::json!({ "low": 0x62, "high": 0x99, "extended": 0xFF }));
    assert_eq!((&state["lock"], &state["violations"]), (&serde_json::json!(0xFF), &serde_json::json!(1)));

    send(&open, &[[0xC0, 0, 3, 0x76], [0x99, 0, 0, 0]]);
    fs::remove_file(folder.join("flash.bin")).expect("removed");
    let refused = open.export(&folder).expect_err("there are two of the files").to_string();
    assert!(refused.contains("eeprom.bin is there already"), "{refused}");
    assert_eq!(fs::read(folder.join("eeprom.bin")).expect("readable")[3], 0x77, "the earlier export is as it was");
    assert!(!folder.join("flash.bin").exists(), "nothing is written where one is refused");
}

#[test]
fn reset_makes_the_board_as_shipped() {
    let (_root, store) = one(9);
    let calibration = open(&store).sim().contents().calibration;
    {
        let open = open(&store);
        send(&open, &[[0xC0, 0, 3, 0x77], [0x99, 0, 0, 0]]);
        open.sim().damage(Fault::NoPower);
        open.reset();
    }
    let open = open(&store);
    assert!(open.sim().contents().eeprom.iter().all(|byte| *byte == 0xFF));
    assert_eq!((open.sim().violations().count, open.sim().operations(), open.sim().faults().len()), (0, 0, 0));
    assert_eq!(open.sim().contents().calibration, calibration);
}

#[test]
fn a_damaged_file_is_told_and_not_overwritten() {
    let (root, store) = one(1);
    let path = root.path().join("sims/bench/state.json");
    let text = fs::read_to_string(&path).expect("readable");
    for wrong in [
        "",
        "{}",
        "null",
        &text[..text.len() / 2],
        &text.replace("\"version\":1", "\"version\":2"),
        &text.replace("ATmega1284P", "ATmega328P"),
    ] {
        fs::write(&path, wrong).expect("written");
        let told = store.open_sim("bench").map(drop);
        assert!(matches!(told, Err(StoreError::Damaged { .. })), "{told:?}");
        assert_eq!(fs::read_to_string(&path).expect("readable"), wrong);
    }
}

#[test]
fn the_wire_of_a_stored_sim_reaches_it() {
    let (_root, store) = one(1);
    let (wire, open) = store.connect("bench").expect("connected");
    assert_eq!(wire.bytes_per_second(), 1_000_000);
    assert_eq!(open.board(), "vent");
}
