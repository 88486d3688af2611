//! A serial port of this computer.

use super::greet::SpeedWire;
use super::open::{OpenError, gone, stuck};
use super::{Wire, device_file};
use crate::time::{Clock, HostClock, Moment, SharedClock};
use crate::units::ControlLine;
use serialport::{ClearBuffer, ErrorKind, SerialPort, SerialPortBuilder};
use std::io;
use std::path::Path;
use std::rc::Rc;
use std::time::Duration;

/// Start bit, 8 data bits, stop bit.
const BITS_PER_BYTE: u32 = 10;

/// Bytes in one call; 4096 take a third of a second at 115,200 baud.
const CALL_BYTES: usize = 4096;

/// How long a port may take no byte.
const WRITE_WITHIN: Duration = Duration::from_secs(5);

/// How long a control line that resets a board is let go, and then left alone: common practice.
const PULSE: Duration = Duration::from_millis(100);

/// How long to wait where a port that was ready for bytes takes none.
const RETRY_AFTER: Duration = Duration::from_millis(1);

/// A serial port, 8 data bits, no parity, 1 stop bit, without flow control, for this process alone.
pub struct SerialWire {
    port: Box<dyn SerialPort>,
    place: String,
    baud: u32,
    clock: Rc<HostClock>,
}

impl SerialWire {
    /// Opens a port. Many boards reset when this happens: the bridge may be silent for a while.
    ///
    /// # Errors
    /// No such port, no permission, in use by another program, or no serial port.
    pub fn open(path: &str, baud: u32) -> Result<SerialWire, OpenError> {
        let builder = serialport::new(path, baud).dtr_on_open(true).timeout(WRITE_WITHIN);
        let mut port = open_port(builder).map_err(|error| why_not(path, error))?;
        // A bridge with its own USB may send only to a terminal that says it is there. Pseudo-terminals have no such lines.
        let _ = port.write_request_to_send(true);
        let _ = port.clear(ClearBuffer::All);
        Ok(SerialWire { port, place: named(path), baud, clock: Rc::new(HostClock::start()) })
    }

    /// Lets a control line go for a moment and asserts it again, which resets a board that is wired so.
    ///
    /// # Errors
    /// The port has no such lines, or is gone.
    pub fn pulse(&mut self, line: ControlLine) -> io::Result<()> {
        for level in [false, true] {
            let set = match line {
                ControlLine::Dtr => self.port.write_data_terminal_ready(level),
                ControlLine::Rts => self.port.write_request_to_send(level),
            };
            set.map_err(|error| gone(&self.place, &error.into()))?;
            self.clock.wait_until(self.clock.now().plus(PULSE));
        }
        Ok(())
    }
}

/// The library waits until a port is ready for some bytes, and then in the system until it has taken all; a pseudo-terminal that
/// nobody reads never does. Without blocking it takes what it can.
#[cfg(unix)]
fn open_port(builder: SerialPortBuilder) -> serialport::Result<Box<dyn SerialPort>> {
    use nix::fcntl::{FcntlArg, OFlag, fcntl};
    use std::os::fd::AsRawFd;
    let port = builder.open_native()?;
    fcntl(port.as_raw_fd(), FcntlArg::F_SETFL(OFlag::O_NONBLOCK)).map_err(io::Error::from)?;
    Ok(Box::new(port))
}

#[cfg(not(unix))]
fn open_port(builder: SerialPortBuilder) -> serialport::Result<Box<dyn SerialPort>> {
    builder.open()
}

fn named(path: &str) -> String {
    format!("serial port {path}")
}

/// Why a port was not opened, from what the library and the system say.
fn why_not(path: &str, error: serialport::Error) -> OpenError {
    let (place, file) = (named(path), Path::new(path));
    match error.kind {
        ErrorKind::Io(io::ErrorKind::PermissionDenied) => OpenError::NotAllowed { place, remedy: device_file::remedy(file) },
        ErrorKind::Io(io::ErrorKind::NotFound) => OpenError::NotThere { place },
        // The library's word for a port that another process has for itself.
        ErrorKind::NoDevice if file.exists() || !cfg!(unix) => {
            let holders = device_file::holders(file);
            let holder = if holders.is_empty() { "another program".into() } else { holders.join(", ") };
            OpenError::InUse { place, holder }
        }
        ErrorKind::NoDevice => OpenError::NotThere { place },
        _ if !is_terminal(file) => OpenError::Unsuitable { place: path.into(), why: "it is no serial port".into() },
        _ => OpenError::Io { place, source: error.into() },
    }
}

#[cfg(unix)]
fn is_terminal(file: &Path) -> bool {
    use std::os::unix::fs::FileTypeExt;
    std::fs::metadata(file).is_ok_and(|file| file.file_type().is_char_device())
}

#[cfg(not(unix))]
fn is_terminal(_: &Path) -> bool {
    true
}

impl Wire for SerialWire {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut left = bytes;
        let mut deadline = self.clock.now().plus(WRITE_WITHIN);
        self.port.set_timeout(WRITE_WITHIN)?;
        while !left.is_empty() {
            let next = left.get(..CALL_BYTES).unwrap_or(left);
            match self.port.write(next) {
                Ok(written) if written > 0 => {
                    left = left.get(written..).unwrap_or_default();
                    deadline = self.clock.now().plus(WRITE_WITHIN);
                }
                Ok(_) => self.clock.wait_until(self.clock.now().plus(RETRY_AFTER)),
                Err(error) => match error.kind() {
                    io::ErrorKind::Interrupted => {}
                    io::ErrorKind::WouldBlock => self.clock.wait_until(self.clock.now().plus(RETRY_AFTER)),
                    io::ErrorKind::TimedOut => return Err(stuck(&self.place)),
                    _ => return Err(gone(&self.place, &error)),
                },
            }
            if self.clock.now() >= deadline {
                return Err(stuck(&self.place));
            }
        }
        Ok(())
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        let mut buffer = [0; CALL_BYTES];
        loop {
            self.port.set_timeout(deadline.since(self.clock.now()))?;
            match self.port.read(&mut buffer) {
                // A port that was readable and has nothing was hung up.
                Ok(0) => return Err(gone(&self.place, &io::ErrorKind::UnexpectedEof.into())),
                Ok(count) => {
                    into.extend(buffer.iter().take(count));
                    return Ok(());
                }
                Err(error) if matches!(error.kind(), io::ErrorKind::Interrupted | io::ErrorKind::WouldBlock) => {}
                Err(error) if error.kind() == io::ErrorKind::TimedOut => return Ok(()),
                Err(error) => return Err(gone(&self.place, &error)),
            }
        }
    }

    fn clock(&self) -> SharedClock {
        self.clock.clone()
    }

    fn bytes_per_second(&self) -> u32 {
        self.baud / BITS_PER_BYTE
    }
}

fn unwilling(place: &str, baud: u32, error: &serialport::Error) -> io::Error {
    io::Error::other(format!("{place} cannot be set to {baud} baud ({error})"))
}

impl SpeedWire for SerialWire {
    fn set_speed(&mut self, baud: u32) -> io::Result<()> {
        if baud != self.baud {
            self.port.set_baud_rate(baud).map_err(|error| unwilling(&self.place, baud, &error))?;
            self.baud = baud;
        }
        // What was heard at another speed is garbage.
        self.port.clear(ClearBuffer::Input).map_err(|error| gone(&self.place, &error.into()))
    }
}
