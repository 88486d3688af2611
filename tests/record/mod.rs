//! Snapshots and the journal, on real files in folders of their own.

mod full_disk;
mod journal;
mod killed;
mod shared;
mod snapshots;

use farrier::board::Way;
use farrier::image::{ByteAddress, Image, Memory, Sha256};
use farrier::plan::{Access, Contents, Fingerprint, Observed, Plan};
use farrier::record::{Accepted, NewJob, Shown, SnapshotInfo, SnapshotName, UsedImage};
use farrier::units::{Hertz, Millivolts};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// 2025-11-25 08:00:01 UTC and so many seconds.
pub fn date(seconds: u64) -> SystemTime {
    UNIX_EPOCH + Duration::from_secs(1_764_057_601 + seconds)
}

/// How long a step took, or a job.
const TOOK: Duration = Duration::from_millis(20);

/// A vent controller as read through the sim: 1 KiB of flash is enough here.
fn vent() -> Observed {
    let flash: Vec<u8> = (0..1024u32).map(|n| (n * 7 + n / 256) as u8).collect();
    Observed {
        id: Some([0x1E, 0x97, 0x05]),
        calibration: Some(0x9F),
        flash: Contents { bytes: Image::of(ByteAddress(0), &flash), unreadable: None },
        eeprom: Contents { bytes: Image::of(ByteAddress(0), b"open at 24 C, shut at 19 C......"), unreadable: None },
        configuration: Some(vec![0x62, 0x99, 0xFF]),
        lock: Some(0xFF),
        access: Some(Access {
            way: Way::Spi,
            programming_clock: Hertz(125_000),
            clock_output: None,
            tries: 2,
            supply: Some(Millivolts(5_020)),
            pin_level: Some(Millivolts(5_000)),
        }),
    }
}

fn vent_info() -> SnapshotInfo {
    SnapshotInfo {
        board: "vent".to_owned(),
        chip: "ATmega1284P".to_owned(),
        tag: Some("north wall".to_owned()),
        date: date(0),
        made_by: "farrier 0.1.0".to_owned(),
        bridge: "sim:vent".to_owned(),
        before_change: false,
        simulated: true,
        flash_bytes: 1024,
        eeprom_bytes: 32,
    }
}

/// Enter, erase, release, towards a desired state that differs with `mark`. Read from its stored form, as the planner alone makes plans.
pub fn plan(mark: u8) -> Plan {
    let step =
        |kind: serde_json::Value| serde_json::json!({"kind": kind, "bytes": 0, "reason": "a test", "estimate": {"secs": 1, "nanos": 0}});
    let desired = serde_json::json!({
        "flash": [{"start": 0, "hex": format!("{mark:02x}0c")}],
        "eeprom": [],
        "configuration": [0x62, 0x99, 0xFF],
        "lock": 0xFF,
        "origins": [],
    });
    let steps = [step(serde_json::json!({"enter": {"slowest_first": false}})), step("erase".into()), step("release".into())];
    serde_json::from_value(serde_json::json!({"desired": desired, "steps": steps})).expect("the stored form of a plan")
}

fn name(text: &str) -> SnapshotName {
    text.parse().expect("a snapshot's name")
}

/// A fresh job on the vent controller.
pub fn new_job(plan: &Plan) -> NewJob<'_> {
    NewJob {
        date: date(0),
        board: "vent".to_owned(),
        chip: "ATmega1284P".to_owned(),
        command: "farrier loader install --via sim:vent".to_owned(),
        tag: Some("north wall".to_owned()),
        id_bytes: Some([0x1E, 0x97, 0x05]),
        calibration: Some(0x9F),
        serial_number: Some(b"1187".to_vec()),
        bridge: "sim:vent".to_owned(),
        holder: "process 1".to_owned(),
        simulated: true,
        made_by: "farrier 0.1.0".to_owned(),
        baseline: Some(name("2025-11-25-080001-vent")),
        before: Some(name("2025-11-25-080001-vent")),
        inherits: None,
        images: vec![UsedImage { name: "vent.hex".to_owned(), memory: Memory::Flash, bytes: 2, sha256: Sha256::of(&[b"vent"]) }],
        findings: vec![Shown { finding: "little-room-left".to_owned(), sentence: "There is little room left.".to_owned() }],
        held: Some(Fingerprint { firmware: Sha256::of(&[b"old"]), settings: Sha256::of(&[b"settings"]) }),
        leaves: Some(Fingerprint { firmware: Sha256::of(&[b"new"]), settings: Sha256::of(&[b"settings"]) }),
        accepted: vec![Accepted { finding: "settings-lost".to_owned(), stake: "32 bytes of EEPROM".to_owned() }],
        plan,
    }
}

/// Says to one of the tests below that it runs as a process of another test, and on which file or folder.
const AT: &str = "FARRIER_TEST_RECORD_AT";

/// The test of this name as a process of its own, on the file or folder `at`. `limit` is put before its command line.
fn process(limit: &[&str], test: &str, at: &std::path::Path) -> Child {
    let this = std::env::current_exe().expect("the path of this test program");
    let mut words = limit.to_vec();
    let this = this.to_str().expect("a path of plain text");
    words.extend([this, "--exact", test, "--nocapture", "--test-threads=1"]);
    let mut command = Command::new(words[0]);
    command.args(&words[1..]).env(AT, at).stdout(Stdio::piped()).stderr(Stdio::inherit());
    command.spawn().expect("this test program, once more")
}
