//! The bridge firmware in rp2040js, as a wire: what is sent goes over the emulated USB, and the board behind the bridge's pins is held by
//! the test. Time is the emulator's; it goes on only while somebody waits for the wire.

use super::flash_image;
use crate::outside::{INSTALL, program};
use farrier::link::Wire;
use farrier::time::{Clock, Moment, SharedClock, VirtualClock};
use farrier::units::{Hertz, Millivolts};
use serde_json::Value;
use std::cell::RefCell;
use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::rc::Rc;
use std::time::Duration;
use tempfile::TempDir;

/// A host resets a new device for 10 ms and then asks it some twenty things.
const ENUMERATION: Duration = Duration::from_millis(40);

/// Which of the bridge's interfaces the bytes go over.
#[derive(Clone, Copy, Debug)]
pub enum Pipe {
    Serial,
    Vendor,
}

/// What the bridge does to a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    Low,
    High,
    Released,
}

/// What hangs on the bridge's pins.
pub trait Pins {
    fn reset(&mut self, at: Moment, level: Level);

    /// An SPI byte begins; gives what comes back.
    fn exchange(&mut self, at: Moment, sck: Hertz, byte: u8) -> u8;

    fn clock_output(&mut self, at: Moment, clock: Option<Hertz>);
}

/// Nothing hangs there, and somebody takes notes.
#[derive(Default)]
pub struct Notes {
    pub resets: Vec<(Moment, Level)>,
    pub bytes: Vec<(Moment, Hertz, u8)>,
    pub clocks: Vec<(Moment, Option<Hertz>)>,
}

impl Pins for Notes {
    fn reset(&mut self, at: Moment, level: Level) {
        self.resets.push((at, level));
    }

    fn exchange(&mut self, at: Moment, sck: Hertz, byte: u8) -> u8 {
        self.bytes.push((at, sck, byte));
        0xFF
    }

    fn clock_output(&mut self, at: Moment, clock: Option<Hertz>) {
        self.clocks.push((at, clock));
    }
}

/// A bridge that has been plugged in and enumerated.
pub struct Emulated {
    child: Child,
    to: BufWriter<ChildStdin>,
    from: ChildStdout,
    clock: Rc<VirtualClock>,
    /// How far the emulator has come; the clock is ahead where somebody waited without the wire.
    at: Moment,
    /// What the bridge has said and nobody has received.
    said: Vec<u8>,
    pins: Rc<RefCell<dyn Pins>>,
    _image: TempDir,
}

impl Emulated {
    /// A bridge with nothing on its pins.
    pub fn start(pipe: Pipe) -> Emulated {
        Emulated::with(pipe, Rc::new(RefCell::new(Notes::default())))
    }

    pub fn with(pipe: Pipe, pins: Rc<RefCell<dyn Pins>>) -> Emulated {
        let folder = tempfile::tempdir().unwrap();
        let image = folder.path().join("flash.bin");
        std::fs::write(&image, flash_image()).unwrap();
        let mut command = Command::new(program("node"));
        command.arg(source("rp2040.mjs")).arg(emulator()).arg(&image);
        command.arg(match pipe {
            Pipe::Serial => "serial",
            Pipe::Vendor => "vendor",
        });
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let (to, from) = (BufWriter::new(child.stdin.take().unwrap()), child.stdout.take().unwrap());
        let mut bridge = Emulated { child, to, from, clock: Rc::default(), at: Moment::default(), said: Vec::new(), pins, _image: folder };
        bridge.pass(ENUMERATION);
        bridge
    }

    /// The voltage at the supply pin, before the two resistors.
    pub fn set_supply(&mut self, supply: Millivolts) {
        self.command(b'm', &(u32::from(supply.0) / 2).to_le_bytes()).unwrap();
    }

    /// Sends bytes to the interface that this wire does not go over. Nobody fetches what comes from there.
    pub fn send_to_the_other(&mut self, bytes: &[u8]) {
        self.command(b'o', &counted(bytes)).unwrap();
    }

    /// The USB host resets the bus and enumerates the bridge again, as after a fault on the bus.
    pub fn reset_bus(&mut self) {
        self.command(b'b', &[]).unwrap();
        self.pass(ENUMERATION);
    }

    /// Lets time pass.
    pub fn pass(&mut self, time: Duration) {
        self.clock.wait_until(self.clock.now().plus(time));
        self.catch_up().unwrap();
    }

    /// What the USB host was told, as JSON.
    pub fn usb_descriptors(&mut self) -> Value {
        self.told(b'i')
    }

    /// How the bridge's pins are set now, as JSON.
    pub fn pin_settings(&mut self) -> Value {
        self.told(b'p')
    }

    fn told(&mut self, command: u8) -> Value {
        self.command(command, &[]).unwrap();
        let [kind] = self.read().unwrap();
        assert_eq!(kind, b'j');
        serde_json::from_slice(&self.read_counted().unwrap()).unwrap()
    }

    fn command(&mut self, kind: u8, fields: &[u8]) -> io::Result<()> {
        self.to.write_all(&[kind])?;
        self.to.write_all(fields)?;
        self.to.flush()
    }

    fn read<const N: usize>(&mut self) -> io::Result<[u8; N]> {
        let mut bytes = [0; N];
        self.from.read_exact(&mut bytes)?;
        Ok(bytes)
    }

    fn read_u32(&mut self) -> io::Result<u32> {
        Ok(u32::from_le_bytes(self.read()?))
    }

    fn read_counted(&mut self) -> io::Result<Vec<u8>> {
        let mut bytes = vec![0; self.read_u32()? as usize];
        self.from.read_exact(&mut bytes)?;
        Ok(bytes)
    }

    /// Lets the bridge live through the time in which nobody waited for it.
    fn catch_up(&mut self) -> io::Result<()> {
        while self.at < self.clock.now() {
            self.run_until(b'k', self.clock.now())?;
        }
        Ok(())
    }

    /// Runs until then, or until the bridge has said something.
    fn run_until(&mut self, command: u8, until: Moment) -> io::Result<()> {
        self.command(command, &(until.0.as_nanos() as u64).to_le_bytes())?;
        loop {
            let [kind] = self.read()?;
            let at = Moment(Duration::from_nanos(u64::from_le_bytes(self.read()?)));
            match kind {
                b's' => {
                    let sck = Hertz(self.read_u32()?);
                    let [byte] = self.read()?;
                    let back = self.pins.borrow_mut().exchange(at, sck, byte);
                    self.to.write_all(&[back])?;
                    self.to.flush()?;
                }
                b'r' => {
                    let [level] = self.read()?;
                    self.pins.borrow_mut().reset(at, [Level::Low, Level::High, Level::Released][usize::from(level)]);
                }
                b'c' => {
                    let clock = Some(Hertz(self.read_u32()?)).filter(|hz| hz.0 > 0);
                    self.pins.borrow_mut().clock_output(at, clock);
                }
                b'e' => {
                    self.at = at;
                    self.clock.wait_until(at);
                    let said = self.read_counted()?;
                    self.said.extend(said);
                    return Ok(());
                }
                _ => panic!("the emulator said {kind}"),
            }
        }
    }
}

impl Wire for Emulated {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.catch_up()?;
        self.command(b'h', &counted(bytes))
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        self.catch_up()?;
        while self.said.is_empty() && self.at < deadline {
            self.run_until(b'g', deadline)?;
        }
        into.append(&mut self.said);
        Ok(())
    }

    fn clock(&self) -> SharedClock {
        self.clock.clone()
    }

    fn bytes_per_second(&self) -> u32 {
        500_000
    }
}

impl Drop for Emulated {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn counted(bytes: &[u8]) -> Vec<u8> {
    [&(bytes.len() as u32).to_le_bytes(), bytes].concat()
}

fn source(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/emulator").join(name)
}

/// The emulator's package.
fn emulator() -> PathBuf {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/node/node_modules/rp2040js");
    assert!(folder.is_dir(), "{} is missing: {INSTALL}", folder.display());
    folder
}
