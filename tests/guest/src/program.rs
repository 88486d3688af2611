//! The program as a user runs it.

use std::fs::{self, File};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

/// Where the device side keeps its simulated boards, and where the program on the host side keeps what it knows. Neither sees the other's.
pub const DEVICE_HOME: &str = "/home/device";
pub const HOST_HOME: &str = "/home/host";

/// The longest that one command may take.
const PATIENCE: Duration = Duration::from_secs(60);

/// The program, with a home of its own.
pub fn farrier(home: &str) -> Command {
    let mut command = Command::new("/bin/farrier");
    command.env_clear().env("FARRIER_HOME", home).env("COLUMNS", "100").current_dir("/home");
    command
}

/// Who runs a command.
#[derive(Clone, Copy)]
pub struct User {
    pub user: u32,
    pub group: u32,
    pub home: &'static str,
}

pub const ROOT: User = User { user: 0, group: 0, home: HOST_HOME };

/// What a command gave.
pub struct Ran {
    pub line: String,
    pub code: i32,
    pub out: String,
    pub err: String,
    pub took: Duration,
}

/// Runs it on the host side.
pub fn run(line: &str) -> Ran {
    run_as(ROOT, line)
}

/// Runs it as somebody.
pub fn run_as(user: User, line: &str) -> Ran {
    start(user, line).wait()
}

/// Starts it.
pub fn start(user: User, line: &str) -> Running {
    static STARTED: AtomicUsize = AtomicUsize::new(0);
    let folder = PathBuf::from(format!("/tmp/{}", STARTED.fetch_add(1, Ordering::SeqCst)));
    fs::create_dir(&folder).expect("a folder in /tmp");
    let kept = |name: &str| File::create(folder.join(name)).expect("a file in /tmp");
    let mut command = farrier(user.home);
    // Root's other groups are left behind with this.
    command.uid(user.user).gid(user.group).args(line.split_whitespace()).stdout(kept("out")).stderr(kept("err"));
    Running { begun: Instant::now(), child: command.spawn().expect("the program starts"), line: line.to_owned(), folder }
}

/// A command that runs.
pub struct Running {
    /// What it prints is kept there.
    folder: PathBuf,
    line: String,
    begun: Instant,
    child: std::process::Child,
}

impl Running {
    /// Its process number.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Waits for its end.
    pub fn wait(mut self) -> Ran {
        let ended = until(PATIENCE, || self.child.try_wait().expect("the child is ours"));
        if ended.is_none() {
            self.child.kill().expect("it is killed");
        }
        let kept = |name: &str| fs::read_to_string(self.folder.join(name)).expect("output is UTF-8");
        let ran = Ran { line: self.line.clone(), code: 0, out: kept("out"), err: kept("err"), took: self.begun.elapsed() };
        let Some(status) = ended else { panic!("no end within {PATIENCE:?}: {}", ran.shown()) };
        Ran { code: status.code().unwrap_or_else(|| panic!("{status}: {}", ran.shown())), ..ran }
    }
}

impl Drop for Running {
    /// Where a check has failed, nothing goes on.
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Ran {
    /// The command with all that it gave.
    pub fn shown(&self) -> String {
        let Ran { line, code, out, err, took } = self;
        format!("farrier {line}\nexit {code} after {:.1} s\n--- stdout\n{out}--- stderr\n{err}---", took.as_secs_f64())
    }

    /// It must have ended with one of these codes.
    #[track_caller]
    pub fn exits(self, codes: &[i32]) -> Ran {
        assert!(codes.contains(&self.code), "exit {codes:?} was due: {}", self.shown());
        self
    }

    /// It must have printed this, on either channel; where a line was broken does not matter.
    #[track_caller]
    pub fn says(&self, words: &str) {
        let one_line = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(one_line(&format!("{}\n{}", self.out, self.err)).contains(words), "'{words}' was due: {}", self.shown());
    }
}

/// Asks until there is something, or for so long.
pub fn until<T>(limit: Duration, mut ask: impl FnMut() -> Option<T>) -> Option<T> {
    let begun = Instant::now();
    loop {
        match ask() {
            None if begun.elapsed() < limit => std::thread::sleep(Duration::from_millis(5)),
            result => return result,
        }
    }
}

/// Runs it on the device side, where nothing may go wrong.
fn on_device(args: &[&str]) {
    let output = farrier(DEVICE_HOME).args(args).output().expect("the program starts");
    assert!(output.status.success(), "farrier {args:?}: {}", String::from_utf8_lossy(&output.stderr));
}

/// Asks or tells udev. Gives what it prints.
pub fn udevadm(args: &[&str]) -> String {
    let output = Command::new("/bin/udevadm").args(args).output().expect("udevadm starts");
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    assert!(output.status.success(), "udevadm {args:?}: {}", text(&output.stderr));
    text(&output.stdout)
}

/// Makes a simulated board, without a loader. Its chip runs at its full clock already: at the one that it is shipped with, reading a vent
/// board's flash takes 18 s.
pub fn make_board(board: &str, sim: &str) {
    let sims = Path::new(DEVICE_HOME).join("sims");
    fs::create_dir(sims.join(sim)).expect("a new folder");
    fs::copy(sims.join(board).join("state.json"), sims.join(sim).join("state.json")).expect("made by tests/guest/run");
}

/// Whether the silicon of a simulated board has changed since it was served: such changes are on disk at once.
pub fn has_changed(sim: &str) -> bool {
    fs::metadata(format!("{DEVICE_HOME}/sims/{sim}/changes.jsonl")).is_ok_and(|file| file.len() > 0)
}

/// What the flash of a simulated board holds, and its state as JSON. Nothing may serve it meanwhile.
pub fn held(sim: &str) -> (Vec<u8>, String) {
    let folder = format!("/tmp/held-{sim}");
    on_device(&["sim", "export", sim, &folder]);
    let folder = Path::new(&folder);
    let state = fs::read_to_string(folder.join("state.json")).expect("its state");
    let flash = fs::read(folder.join("flash.bin")).expect("its flash");
    // The next look goes there again, and nothing is overwritten.
    fs::remove_dir_all(folder).expect("the folder goes");
    (flash, state)
}
