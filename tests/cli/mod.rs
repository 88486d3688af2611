//! The program as a user runs it: an empty environment, a home of its own, a fixed width, piped.

#[cfg(unix)]
mod asked;
pub mod at_a_port;
mod bad_input;
mod boards_new;
mod bricked;
mod bridges_make;
mod classroom;
mod connections;
mod fitted_loader;
mod folder;
#[cfg(target_os = "linux")]
mod full_disk;
#[cfg(target_os = "linux")]
mod gpio;
mod interrupted;
#[cfg(unix)]
mod killed;
mod loader;
mod no_answer;
mod readme;
mod records;
mod rehearse;
mod restore;
mod revive;
mod screens;
pub mod served;
mod undo;

use farrier::board::Catalog;
use farrier::sim::Store;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use tempfile::TempDir;

/// A home folder that is gone after the test.
pub struct Home(TempDir);

impl Drop for Home {
    /// No command may have done to a simulated board what its datasheet forbids.
    fn drop(&mut self) {
        let sims = Store::open(self.path().join("sims"), Catalog::built_in()).list();
        for sim in sims.into_iter().flatten().filter(|_| !std::thread::panicking()) {
            assert_eq!(sim.violations, 0, "violations on the sim {}", sim.name);
        }
    }
}

/// What a command gave.
pub struct Ran {
    pub code: i32,
    pub out: String,
    pub err: String,
    shown: String,
}

impl Home {
    pub fn new() -> Home {
        Home(TempDir::new().expect("a temporary folder"))
    }

    /// Another home with the same contents.
    pub fn copy(&self) -> Home {
        let other = Home::new();
        copy_folder(self.path(), other.path());
        other
    }

    pub fn path(&self) -> &Path {
        self.0.path()
    }

    /// A file in the home folder with these bytes.
    pub fn file(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.path().join(name);
        std::fs::write(&path, bytes).expect("a file in the temporary folder");
        path
    }

    /// Runs the program in the home folder.
    pub fn run(&self, line: &str) -> Ran {
        let args: Vec<&str> = line.split_whitespace().collect();
        let output = self.command().args(&args).output().expect("the program starts");
        Ran::of(line, &output)
    }

    /// The same where the terminal shows more than ASCII.
    pub fn run_where_text_is_unicode(&self, line: &str) -> Ran {
        let output = self.command().env("LANG", "C.UTF-8").args(line.split_whitespace()).output().expect("the program starts");
        Ran::of(line, &output)
    }

    pub fn command(&self) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_farrier"));
        command.env_clear().env("FARRIER_HOME", self.path()).env("COLUMNS", "100").current_dir(self.path());
        command
    }

    /// What the silicon of a sim holds.
    pub fn export(&self, sim: &str) -> Held {
        let ran = self.run(&format!("sim export {sim} held-{sim}"));
        ran.exits(0);
        let dir = self.path().join(format!("held-{sim}"));
        let read = |name: &str| std::fs::read(dir.join(name)).expect("an exported file");
        let state = serde_json::from_slice(&read("state.json")).expect("state.json is JSON");
        let held = Held { flash: read("flash.bin"), eeprom: read("eeprom.bin"), state };
        // The next export goes there again, and overwrites nothing.
        std::fs::remove_dir_all(&dir).expect("the folder goes");
        held
    }
}

fn copy_folder(from: &Path, to: &Path) {
    for entry in std::fs::read_dir(from).expect("a folder").map(|entry| entry.expect("an entry")) {
        let target = to.join(entry.file_name());
        match entry.path().is_dir() {
            true => {
                std::fs::create_dir(&target).expect("a folder");
                copy_folder(&entry.path(), &target);
            }
            false => drop(std::fs::copy(entry.path(), target).expect("a copy")),
        }
    }
}

/// The ground truth of a sim.
#[derive(PartialEq, Debug)]
pub struct Held {
    pub flash: Vec<u8>,
    pub eeprom: Vec<u8>,
    pub state: serde_json::Value,
}

impl Held {
    pub fn fuses(&self) -> [u8; 3] {
        ["low", "high", "extended"].map(|name| self.state["fuses"][name].as_u64().expect("a fuse byte") as u8)
    }

    pub fn lock(&self) -> u8 {
        self.state["lock"].as_u64().expect("a lock byte") as u8
    }

    pub fn violations(&self) -> u64 {
        self.state["violations"].as_u64().expect("a count")
    }
}

impl Ran {
    fn of(line: &str, output: &Output) -> Ran {
        let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).expect("output is UTF-8");
        let (out, err) = (text(&output.stdout), text(&output.stderr));
        let code = output.status.code().unwrap_or(-1);
        let shown = format!("$ farrier {line}\nexit {code}\n--- stdout\n{out}--- stderr\n{err}");
        assert!(code != 101 && !err.contains("panicked"), "it panicked\n{shown}");
        let text_out = if line.contains("--json") { "" } else { out.as_str() };
        for wide in text_out.lines().chain(err.lines()).filter(|line| line.chars().count() > 100) {
            assert!(wide.trim_start().starts_with("farrier "), "wider than 100 columns: {wide}\n{shown}");
        }
        let next = |text: &str| {
            text.lines().any(|line| ["  farrier ", ": farrier ", "`farrier ", "  ls "].iter().any(|named| line.contains(named)))
        };
        // Where a terminal had it, it is not here.
        assert!(code == 0 || err.is_empty() || line.contains("--json") || next(&out) || next(&err), "no command to type next\n{shown}");
        Ran { code, out, err, shown }
    }

    /// Demands an exit code.
    #[track_caller]
    pub fn exits(&self, code: i32) -> &Ran {
        assert_eq!(self.code, code, "{}", self.shown);
        self
    }

    /// Demands a text on stdout or stderr, however its lines are broken.
    #[track_caller]
    pub fn says(&self, text: &str) -> &Ran {
        let flat = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat(&self.out).contains(&flat(text)) || flat(&self.err).contains(&flat(text)), "not said: {text}\n{}", self.shown);
        self
    }

    pub fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.out).unwrap_or_else(|why| panic!("not JSON: {why}\n{}", self.shown))
    }
}
