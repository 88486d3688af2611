//! Snapshots and the journal as files that somebody, or a disk, has changed.

use farrier::image::{ByteAddress, Image};
use farrier::plan::{Contents, Observed, Plan};
use farrier::record::{JobId, Journal, NewJob, SnapshotInfo, Snapshots};
use std::path::Path;
use std::sync::OnceLock;
use std::time::SystemTime;
use tempfile::TempDir;

/// Columns of the journal that hold texts of its own forms.
const COLUMNS: [&str; 10] = ["plan", "accepted", "baseline", "before", "begun", "settings", "id_bytes", "plan_steps", "images", "findings"];

/// A folder in memory, where there is such a place: each input writes files.
fn folder() -> TempDir {
    let memory = Path::new("/dev/shm");
    if memory.is_dir() { TempDir::new_in(memory) } else { TempDir::new() }.expect("a folder")
}

/// A snapshot's three files, parted by zero bytes, or changes to true ones; the manifest with its own CRC or with the right one. What
/// is read is the same after it was saved again.
pub fn snapshot(bytes: &[u8]) {
    let Some((how, rest)) = bytes.split_first() else { return };
    let files = if how & 1 == 0 { parted(rest) } else { changed(true_snapshot(), rest) };
    let folder = folder();
    let at = folder.path().join("one");
    std::fs::create_dir(&at).expect("a folder");
    for (name, mut file) in ["snapshot.toml", "flash.hex", "eeprom.hex"].into_iter().zip(files) {
        if name == "snapshot.toml" && how & 2 == 0 {
            file = with_crc(&file);
        }
        std::fs::write(at.join(name), file).expect("written");
    }
    let snapshots = Snapshots::open(folder.path());
    let listed = snapshots.list().expect("the folder is there");
    match snapshots.load(&at) {
        Ok(loaded) => {
            assert!(listed.iter().any(|listed| listed.head.is_ok()));
            let again = snapshots.save(&loaded.observed, &loaded.head.info).and_then(|name| snapshots.load(snapshots.path(&name)));
            // A board's name that cannot be part of a folder's is left out of it; what was kept is the same.
            assert_eq!(again.map(|again| again.observed).ok(), Some(loaded.observed));
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
}

/// The journal's file with bytes changed, or with anything in one of its columns.
pub fn journal(bytes: &[u8]) {
    let Some((how, rest)) = bytes.split_first() else { return };
    let folder = folder();
    let path = folder.path().join("journal");
    if how & 1 == 0 {
        let [file] = changed([true_journal().to_vec()], rest);
        std::fs::write(&path, file).expect("written");
    } else {
        std::fs::write(&path, true_journal()).expect("written");
        let raw = rusqlite::Connection::open(&path).expect("it opens");
        let column = COLUMNS[usize::from(how >> 2) % COLUMNS.len()];
        let sql = format!("update jobs set {column} = ?1");
        // A column may refuse what it is given.
        let _ = match how & 2 == 0 {
            true => raw.execute(&sql, [String::from_utf8_lossy(rest)]),
            false => raw.execute(&sql, [rest]),
        };
    }
    let Ok(mut journal) = Journal::open(&path) else { return };
    let _ = journal.jobs();
    let _ = journal.unfinished(&[]);
    let _ = journal.job(JobId(1));
    let _ = journal.step_begun(JobId(1), 0, SystemTime::UNIX_EPOCH);
    let _ = journal.close(JobId(1), SystemTime::UNIX_EPOCH);
}

/// The parts between zero bytes.
fn parted(bytes: &[u8]) -> [Vec<u8>; 3] {
    let mut parts = bytes.splitn(3, |byte| *byte == 0).map(<[u8]>::to_vec);
    std::array::from_fn(|_| parts.next().unwrap_or_default())
}

/// Files with bytes overwritten: each change is which file, where (three bytes), and the new byte.
fn changed<const N: usize>(mut files: [Vec<u8>; N], changes: &[u8]) -> [Vec<u8>; N] {
    for change in changes.as_chunks::<5>().0 {
        let [which, high, mid, low, byte] = *change;
        let file = &mut files[usize::from(which) % N];
        let at = u32::from_be_bytes([0, high, mid, low]) as usize % file.len().max(1);
        if let Some(cell) = file.get_mut(at) {
            *cell = byte;
        }
    }
    files
}

/// The manifest with the CRC that it should have over what stands below its second line.
fn with_crc(manifest: &[u8]) -> Vec<u8> {
    let text = String::from_utf8_lossy(manifest).replace("\r\n", "\n");
    let below = text.splitn(3, '\n').nth(2).unwrap_or_default();
    let crc = Image::of(ByteAddress(0), below.as_bytes()).crc32();
    let first = text.lines().next().unwrap_or_default();
    format!("{first}\ncrc32_below = \"0x{crc:08X}\"\n{below}").into_bytes()
}

fn observed() -> Observed {
    let memory = |bytes: &[u8]| Contents { bytes: Image::of(ByteAddress(0), bytes), unreadable: None };
    Observed {
        id: Some([0x1E, 0x97, 0x05]),
        calibration: Some(0x9F),
        flash: memory(&[0x0C; 64]),
        eeprom: memory(b"open at 24 C"),
        configuration: Some(vec![0x62, 0x99, 0xFF]),
        lock: Some(0xFF),
        access: None,
    }
}

fn info() -> SnapshotInfo {
    SnapshotInfo {
        board: "vent".into(),
        chip: "ATmega1284P".into(),
        tag: Some("7".into()),
        date: SystemTime::UNIX_EPOCH,
        made_by: "fuzz".into(),
        bridge: "sim:vent".into(),
        simulated: true,
        flash_bytes: 64,
        eeprom_bytes: 12,
        before_change: false,
    }
}

fn true_snapshot() -> [Vec<u8>; 3] {
    static FILES: OnceLock<[Vec<u8>; 3]> = OnceLock::new();
    let make = || {
        let folder = folder();
        let snapshots = Snapshots::open(folder.path());
        let path = snapshots.path(&snapshots.save(&observed(), &info()).expect("saved"));
        ["snapshot.toml", "flash.hex", "eeprom.hex"].map(|name| std::fs::read(path.join(name)).expect("readable"))
    };
    FILES.get_or_init(make).clone()
}

/// A journal with one unfinished job, as one file.
fn true_journal() -> &'static [u8] {
    static FILE: OnceLock<Vec<u8>> = OnceLock::new();
    FILE.get_or_init(|| {
        let folder = folder();
        let path = folder.path().join("journal");
        let mut journal = Journal::open(&path).expect("opened");
        let job = journal.begin(&job(&plan())).expect("begun");
        journal.step_begun(job, 0, SystemTime::UNIX_EPOCH).expect("written");
        drop(journal);
        std::fs::read(&path).expect("readable")
    })
}

fn plan() -> Plan {
    let desired = r#""desired":{"flash":[{"start":0,"hex":"0c"}],"eeprom":[],"configuration":[98,153,255],"lock":255,"origins":[]}"#;
    let step = r#"{"kind":"erase","bytes":0,"reason":"a test","estimate":{"secs":1,"nanos":0}}"#;
    serde_json::from_str(&format!("{{{desired},\"steps\":[{step}]}}")).expect("the stored form of a plan")
}

fn job(plan: &Plan) -> NewJob<'_> {
    let name = || "2026-11-25-090001-vent-7".parse().expect("a snapshot's name");
    NewJob {
        date: SystemTime::UNIX_EPOCH,
        board: "vent".into(),
        chip: "ATmega1284P".into(),
        command: "farrier loader install".into(),
        tag: None,
        id_bytes: Some([0x1E, 0x97, 0x05]),
        calibration: None,
        serial_number: None,
        bridge: "sim:vent".into(),
        holder: "process 1".into(),
        simulated: true,
        made_by: "fuzz".into(),
        baseline: Some(name()),
        before: Some(name()),
        inherits: None,
        images: Vec::new(),
        findings: Vec::new(),
        accepted: Vec::new(),
        held: None,
        leaves: None,
        plan,
    }
}
