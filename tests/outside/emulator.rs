//! A chip in libsimavr, an emulator that nobody here wrote: boots a flash image and talks to one of its USARTs.
//!
//! All times are the chip's own. The chip runs only while a method waits for it, so a slow machine changes nothing.

use super::{INSTALL, loaders, program, python};
use farrier::board::{Catalog, Chip};
use farrier::units::Hertz;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::OnceLock;
use std::time::Duration;
use tempfile::TempDir;

/// A line of text to a program, a line back.
struct Conversation {
    child: Child,
    to: ChildStdin,
    from: BufReader<ChildStdout>,
}

impl Conversation {
    fn start(command: &mut Command) -> Conversation {
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let (to, from) = (child.stdin.take().unwrap(), BufReader::new(child.stdout.take().unwrap()));
        Conversation { child, to, from }
    }

    fn say(&mut self, line: &str) {
        writeln!(self.to, "{line}").unwrap();
    }

    fn hear(&mut self) -> String {
        let mut line = String::new();
        self.from.read_line(&mut line).unwrap();
        line.trim_end().to_string()
    }
}

impl Drop for Conversation {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Which chip runs, how fast, with what on its line, and where it starts.
pub struct Place<'a> {
    pub chip: &'a Chip,
    pub clock: Hertz,
    pub baud: u32,
    pub usart: u8,
    /// The byte address where reset goes.
    pub reset_at: u32,
}

/// Whether libsimavr has this part.
pub fn knows(part: &str) -> bool {
    super::run(Command::new(harness()).arg(part.to_lowercase())) == b"known\n"
}

pub struct Emulator {
    boot: Conversation,
    /// What UART0 has sent and nobody has asked for yet.
    unread: Vec<u8>,
    /// Everything that UART0 has sent, for messages.
    sent: Vec<u8>,
    folder: TempDir,
}

impl Emulator {
    /// Starts the chip of a demo board with this flash (the rest blank); reset goes to the byte address `reset_at`, as the fuses say.
    pub fn boot(board: &str, flash: &[u8], reset_at: u32) -> Emulator {
        let (described, chip) = Catalog::built_in().board(board).unwrap();
        let place = Place { chip: &chip, clock: described.clock.hz, baud: described.console.unwrap().baud, usart: 0, reset_at };
        Emulator::boot_chip(&place, flash)
    }

    /// Starts a chip with this flash.
    pub fn boot_chip(place: &Place, flash: &[u8]) -> Emulator {
        let folder = tempfile::tempdir().unwrap();
        let image = folder.path().join("flash.bin");
        std::fs::write(&image, flash).unwrap();
        let mut command = Command::new(harness());
        let nrww = place.chip.boot_sections.iter().map(|section| section.span.start().0).min().unwrap();
        command.arg(place.chip.part.to_lowercase()).arg(place.clock.0.to_string()).arg(place.baud.to_string());
        command.arg(image).arg(place.reset_at.to_string()).arg(nrww.to_string()).arg(place.usart.to_string());
        let boot = Conversation::start(&mut command);
        Emulator { boot, unread: Vec::new(), sent: Vec::new(), folder }
    }

    /// One command of the harness; its reply.
    fn command(&mut self, command: &str) -> String {
        self.boot.say(command);
        let reply = self.boot.hear();
        assert!(!reply.is_empty() && !reply.starts_with("fault"), "{command}: {reply}\nheard so far: {}", self.so_far());
        reply
    }

    fn so_far(&self) -> String {
        self.sent.escape_ascii().to_string()
    }

    /// Runs for so long, or until UART0 has sent `bytes` more; how long it was.
    fn run_until(&mut self, limit: Duration, bytes: usize) -> Duration {
        let reply = self.command(&format!("run {} {bytes}", limit.as_micros()));
        let mut words = reply.split(' ').skip(1);
        let (time, hex) = (words.next().unwrap(), words.next().unwrap_or_default());
        let sent = from_hex(hex);
        self.unread.extend(&sent);
        self.sent.extend(&sent);
        Duration::from_micros(time.parse().unwrap())
    }

    /// Runs for so long; what UART0 sent and nobody had asked for.
    pub fn run(&mut self, time: Duration) -> Vec<u8> {
        self.run_until(time, usize::MAX / 2);
        std::mem::take(&mut self.unread)
    }

    /// The next bytes from UART0, fewer when they do not come in time.
    pub fn receive(&mut self, count: usize, limit: Duration) -> Vec<u8> {
        if self.unread.len() < count {
            self.run_until(limit, count - self.unread.len());
        }
        let count = count.min(self.unread.len());
        self.unread.drain(..count).collect()
    }

    /// Runs until UART0 has sent this text, and passes over what came before it; how long that took.
    ///
    /// Panics when it does not come in time, and says what came.
    pub fn expect(&mut self, text: &str, limit: Duration) -> Duration {
        let mut time = Duration::ZERO;
        loop {
            if let Some(at) = self.unread.windows(text.len()).position(|part| part == text.as_bytes()) {
                self.unread.drain(..at + text.len());
                return time;
            }
            assert!(time < limit, "no {text:?} within {limit:?}\nheard so far: {}", self.so_far());
            time += self.run_until(limit - time, 1);
        }
    }

    /// Puts bytes on the line to UART0; they take their time while the chip runs.
    pub fn send(&mut self, bytes: &[u8]) {
        if !bytes.is_empty() {
            self.command(&format!("line {}", to_hex(bytes)));
        }
    }

    /// UART0 and its line run `times` as fast from now on.
    pub fn hurry(&mut self, times: u32) {
        self.command(&format!("hurry {times}"));
    }

    /// Makes a byte of flash one that cannot be programmed: it stays blank.
    pub fn make_stuck(&mut self, address: u32) {
        self.command(&format!("stuck {address}"));
    }

    /// How many bytes came from the line while the chip's receive buffer was full.
    pub fn lost(&mut self) -> u32 {
        self.command("lost").strip_prefix("lost ").unwrap().parse().unwrap()
    }

    /// An external reset.
    pub fn reset(&mut self) {
        self.command("reset");
        self.unread.clear();
    }

    /// The supply fails and comes back; the address of the page that this has torn.
    pub fn cut(&mut self, seed: u64) -> Option<u32> {
        let reply = self.command(&format!("cut {seed}"));
        self.unread.clear();
        reply.strip_prefix("torn ").map(|address| address.parse().unwrap())
    }

    /// Drives a pin such as PD2 from outside, or lets it go.
    pub fn drive(&mut self, pin: &str, high: Option<bool>) {
        let (port, bit) = pin.strip_prefix('P').unwrap().split_at(1);
        let level = high.map_or("-", |high| if high { "1" } else { "0" });
        self.command(&format!("pin {port} {bit} {level}"));
    }

    /// Runs until the program counter is at this byte address; whether it was there in time.
    pub fn comes_to(&mut self, address: u32, limit: Duration) -> bool {
        self.command(&format!("until {address} {}", limit.as_micros())) == "reached"
    }

    /// Runs until the program counter is at this byte address.
    pub fn run_to(&mut self, address: u32, limit: Duration) {
        let reached = self.comes_to(address, limit);
        assert!(reached, "not at 0x{address:05X} within {limit:?}\nheard so far: {}", self.so_far());
    }

    /// A byte of the data space: registers, I/O, memory.
    pub fn peek(&mut self, address: u16) -> u8 {
        let reply = self.command(&format!("peek {address} 1"));
        from_hex(reply.strip_prefix("peeked ").unwrap())[0]
    }

    /// The whole flash as it is now.
    pub fn flash(&mut self) -> Vec<u8> {
        let path = self.folder.path().join("dump.bin");
        self.command(&format!("flash {}", path.display()));
        std::fs::read(path).unwrap()
    }

    /// Sends an image by XMODEM, as a terminal program does; whether the sender says that it was taken.
    pub fn send_xmodem(&mut self, image: &[u8]) -> bool {
        let lost_before = self.lost();
        let complete = self.send_xmodem_over(image, |_, _| {});
        let lost = self.lost() - lost_before;
        assert_eq!(lost, 0, "bytes from the line were lost: the firmware is too slow\nheard so far: {}", self.so_far());
        complete
    }

    /// The same over a bad line: `damage` sees every transmission, counted from 0, before the loader does.
    pub fn send_xmodem_over(&mut self, image: &[u8], mut damage: impl FnMut(usize, &mut Vec<u8>)) -> bool {
        let path = self.folder.path().join("image.bin");
        std::fs::write(&path, image).unwrap();
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/emulator/send_xmodem.py");
        let mut sender = Conversation::start(Command::new(python()).arg(script).arg(path));
        let mut transmissions = 0;
        loop {
            let request = sender.hear();
            let words: Vec<&str> = request.split(' ').collect();
            match words[..] {
                ["get", size, seconds] => {
                    let bytes = self.receive(size.parse().unwrap(), Duration::from_secs(seconds.parse().unwrap()));
                    sender.say(&to_hex(&bytes));
                }
                ["put", hex] => {
                    let mut bytes = from_hex(hex);
                    damage(transmissions, &mut bytes);
                    transmissions += 1;
                    self.send(&bytes);
                    sender.say("");
                }
                ["complete"] => return true,
                ["given", "up"] => return false,
                _ => panic!("the sender said {request:?}; where a package is missing: {INSTALL}"),
            }
        }
    }
}

/// The harness, compiled once in a test run.
fn harness() -> &'static Path {
    static HARNESS: OnceLock<PathBuf> = OnceLock::new();
    HARNESS.get_or_init(|| {
        let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/emulator/boot.c");
        let harness = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("boot");
        // Under a name of its own first: another test program may be running the old one.
        let fresh = harness.with_extension(std::process::id().to_string());
        let mut compile = Command::new(program("cc"));
        compile.args(["-O2", "-Wall", "-Wextra", "-Werror"]).arg(source).arg("-o").arg(&fresh).arg("-lsimavr");
        let output = compile.output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{compile:?}: {said}\nWhere libsimavr is missing: {INSTALL}");
        std::fs::rename(fresh, &harness).unwrap();
        harness
    })
}

/// The flash of a board with its loader in it.
pub fn flash_with_loader(board: &str) -> Vec<u8> {
    let (_, chip) = Catalog::built_in().board(board).unwrap();
    let mut flash = vec![0xFF; chip.flash.bytes as usize];
    for (at, byte) in loaders::loader(board) {
        flash[at as usize] = byte;
    }
    flash
}

fn to_hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn from_hex(text: &str) -> Vec<u8> {
    (0..text.len() / 2).map(|n| u8::from_str_radix(&text[2 * n..2 * n + 2], 16).unwrap()).collect()
}
