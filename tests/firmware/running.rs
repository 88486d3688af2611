//! A program that runs the bridge's firmware (tests/firmware/harness/), and the wire to it. Everything happens in the firmware's own time,
//! which stands still while nobody waits for it, so a slow machine changes nothing.

use farrier::link::Wire;
use farrier::sim::{BoardPins, BytePins, Sim};
use farrier::time::{Clock, Moment, SharedClock, VirtualClock};
use farrier::units::Hertz;
use rustix::event::{PollFd, PollFlags, poll};
use rustix::fs::{OFlags, fcntl_setfl};
use std::cell::Cell;
use std::collections::VecDeque;
use std::io::{self, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::rc::Rc;
use std::time::Duration;

/// What is at the bridge's pins.
pub trait Board {
    /// An SPI byte that begins at this moment; what comes back.
    fn exchange(&mut self, sent: u8, sck: Hertz, at: Moment) -> u8;
    /// SCK changes without an SPI unit; MISO's level.
    fn edge(&mut self, sck: bool, mosi: bool, at: Moment) -> bool;
    /// Reset is pulled low, or is not.
    fn reset(&mut self, low: bool, at: Moment);
    /// The bridge's clock output.
    fn clock(&mut self, hz: Option<Hertz>);
}

/// A simulated board: its bytes, and its lines one by one.
struct SimBoard {
    bytes: BytePins,
    lines: BoardPins,
    reset: bool,
}

impl Board for SimBoard {
    fn exchange(&mut self, sent: u8, sck: Hertz, at: Moment) -> u8 {
        self.bytes.exchange(sent, sck, at)
    }
    fn edge(&mut self, sck: bool, mosi: bool, at: Moment) -> bool {
        self.lines.step(at, self.reset, sck, mosi)
    }
    fn reset(&mut self, low: bool, at: Moment) {
        self.reset = !low;
        self.lines.step(at, self.reset, false, false);
    }
    fn clock(&mut self, hz: Option<Hertz>) {
        self.bytes.clock(hz);
    }
}

/// A simulated board at the bridge's pins.
pub fn board(sim: &Sim) -> impl Board + use<> {
    SimBoard { bytes: sim.byte_pins(), lines: sim.pins(), reset: true }
}

/// One record of harness/events.h.
struct Record {
    kind: u8,
    value: u8,
    number: u32,
    ticks: u64,
}

/// A pipe that is looked at for a while before anybody sleeps: the harness answers sooner than that takes.
struct Eager(ChildStdout);

impl Eager {
    fn new(pipe: ChildStdout) -> Eager {
        fcntl_setfl(&pipe, OFlags::NONBLOCK).unwrap();
        Eager(pipe)
    }
}

impl Read for Eager {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        for _ in 0..30 {
            match self.0.read(bytes) {
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
                result => return result,
            }
        }
        poll(&mut [PollFd::new(&self.0, PollFlags::IN)], None)?;
        // Tried again, like every interrupted read.
        Err(io::ErrorKind::Interrupted.into())
    }
}

/// A running bridge.
pub struct Firmware {
    child: Child,
    to: ChildStdin,
    from: BufReader<Eager>,
    board: Box<dyn Board>,
    now: Moment,
    /// What the bridge has sent, with the moment at which each byte had arrived.
    sent: VecDeque<(Moment, u8)>,
    /// Bytes that came while the bridge had no room for them.
    pub lost: u32,
}

const TICKS_A_SECOND: u64 = 16_000_000;

fn moment(ticks: u64) -> Moment {
    Moment(Duration::from_nanos(ticks * 125 / 2))
}

fn ticks(moment: Moment) -> u64 {
    u64::try_from((moment.0.as_nanos() * 2).div_ceil(125)).unwrap()
}

impl Firmware {
    pub fn start(command: &mut Command, board: impl Board + 'static) -> Firmware {
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let (to, from) = (child.stdin.take().unwrap(), BufReader::new(Eager::new(child.stdout.take().unwrap())));
        let board = Box::new(board);
        Firmware { child, to, from, board, now: Moment::default(), sent: VecDeque::new(), lost: 0 }
    }

    fn say(&mut self, kind: u8, number: u32, ticks: u64) {
        let mut bytes = [0; 16];
        bytes[0] = kind;
        bytes[4..8].copy_from_slice(&number.to_le_bytes());
        bytes[8..].copy_from_slice(&ticks.to_le_bytes());
        self.to.write_all(&bytes).unwrap();
    }

    fn hear(&mut self) -> Record {
        let mut bytes = [0; 16];
        if self.from.read_exact(&mut bytes).is_err() {
            panic!("the firmware's harness has ended: {:?}", self.child.wait());
        }
        let number = u32::from_le_bytes(bytes[4..8].try_into().unwrap());
        Record { kind: bytes[0], value: bytes[1], number, ticks: u64::from_le_bytes(bytes[8..].try_into().unwrap()) }
    }

    /// Up to when it has run.
    pub fn now(&self) -> Moment {
        self.now
    }

    /// Puts bytes on the line to the bridge.
    pub fn put(&mut self, bytes: &[u8]) {
        self.say(b'D', u32::try_from(bytes.len()).unwrap(), 0);
        self.to.write_all(bytes).unwrap();
    }

    /// Runs until then, or until the bridge has sent a zero byte.
    pub fn run_until(&mut self, until: Moment) {
        self.say(b'R', 0, ticks(until));
        loop {
            let Record { kind, value, number, ticks } = self.hear();
            let at = moment(ticks);
            match kind {
                b'S' => {
                    let back = self.board.exchange(value, hertz(number), at);
                    self.to.write_all(&[back]).unwrap();
                }
                b'E' => {
                    let miso = self.board.edge(value & 1 == 1, value & 2 == 2, at);
                    self.to.write_all(&[u8::from(miso)]).unwrap();
                }
                b'L' => self.board.reset(value == 0, at),
                b'C' => self.board.clock((number > 0).then(|| hertz(number))),
                b'B' => self.sent.push_back((at, value)),
                b'T' => {
                    self.now = at;
                    self.lost = number;
                    return;
                }
                other => panic!("the harness said {other}"),
            }
        }
    }

    /// What the bridge has sent that has arrived by then.
    pub fn take_sent(&mut self, until: Moment) -> Vec<u8> {
        let arrived = self.sent.iter().take_while(|(at, _)| *at <= until).count();
        self.sent.drain(..arrived).map(|(_, byte)| byte).collect()
    }
}

fn hertz(period: u32) -> Hertz {
    Hertz(u32::try_from(TICKS_A_SECOND / u64::from(period)).unwrap())
}

impl Drop for Firmware {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The host's end of the line to a running bridge.
pub struct FirmwareWire {
    pub firmware: Firmware,
    pub clock: Rc<VirtualClock>,
    pub bytes_per_second: u32,
    /// Where somebody wants to know how many bytes the bridge has lost.
    pub lost: Option<Rc<Cell<u32>>>,
}

impl FirmwareWire {
    pub fn new(firmware: Firmware, bytes_per_second: u32) -> FirmwareWire {
        FirmwareWire { firmware, clock: Rc::new(VirtualClock::default()), bytes_per_second, lost: None }
    }
}

impl Wire for FirmwareWire {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        while self.firmware.now < self.clock.now() {
            self.firmware.run_until(self.clock.now());
        }
        self.firmware.put(bytes);
        Ok(())
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        while self.firmware.sent.is_empty() && self.firmware.now < deadline {
            self.firmware.run_until(deadline);
        }
        if let Some(lost) = &self.lost {
            lost.set(self.firmware.lost);
        }
        let last = self.firmware.sent.back().map_or(deadline, |(at, _)| *at).min(deadline);
        into.extend(self.firmware.take_sent(last));
        self.clock.wait_until(last);
        Ok(())
    }

    fn clock(&self) -> SharedClock {
        self.clock.clone()
    }

    fn bytes_per_second(&self) -> u32 {
        self.bytes_per_second
    }
}

/// Compiles sources into a program of this name, with these further arguments; under a name of its own first, because another test program
/// may be running the old one.
pub fn compile(name: &str, arguments: &[&str], sources: &[PathBuf]) -> PathBuf {
    let program = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(name);
    let fresh = program.with_extension(std::process::id().to_string());
    let mut command = Command::new("cc");
    command.args(["-std=gnu11", "-O1", "-g", "-Wall", "-Wextra", "-Werror"]).arg("-o").arg(&fresh).args(sources).args(arguments);
    let output = command.current_dir(env!("CARGO_MANIFEST_DIR")).output().unwrap();
    assert!(output.status.success(), "{command:?}: {}", String::from_utf8_lossy(&output.stderr));
    std::fs::rename(fresh, &program).unwrap();
    program
}

/// The sources of the portable core.
pub fn core_sources() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("hardware-notes/bridge/core");
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|path| path.extension().is_some_and(|extension| extension == "c"));
    files.sort();
    files
}
