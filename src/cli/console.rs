//! The serial port on which a board's firmware talks.

use super::context::Context;
use super::place::Place;
use super::stop::{Code, Stop};
use super::{interrupt, output};
use crate::board::Board;
use crate::job::go_on;
use crate::link::{Said, SerialServerWire, SerialWire, SpeedWire, TcpWire, Wire, listen_for};
use crate::lock::Lock;
use crate::units::ControlLine;
use serde_json::{Value, json};
use std::io;
use std::process::ExitCode;
use std::time::Duration;

/// A console that is open, for this process alone.
pub struct Console {
    port: Port,
    _lock: Lock,
}

enum Port {
    Serial(SerialWire),
    Other(Box<dyn Wire>),
}

/// What `--watch` asks for.
pub struct Watch {
    /// How fast the firmware talks.
    pub baud: u32,
    within: Duration,
    /// The text that shows that the firmware runs.
    alive: String,
}

/// What a board said after it was let go.
pub struct Watched {
    watch: Watch,
    said: Said,
    since: Since,
}

/// What starts the firmware of a board that is watched.
#[derive(Clone, Copy)]
pub enum Since {
    LetGo,
    /// Its loader had the last byte.
    Loaded,
}

impl Since {
    fn words(self) -> &'static str {
        match self {
            Since::LetGo => "it was let go",
            Since::Loaded => "its loader had all of it",
        }
    }
}

impl Console {
    /// Opens a board's port, at so many baud where its name does not say it.
    ///
    /// # Errors
    /// It is no serial port, or may not be used.
    pub fn open(context: &Context, place: &Place, fast: u32) -> Result<Console, Stop> {
        let speed = |baud: &Option<u32>| baud.unwrap_or(fast);
        let (lock, port) = match place {
            Place::Serial { path, baud } => (context.lock(place)?, Port::Serial(SerialWire::open(path, speed(baud))?)),
            Place::SerialServer { address, baud } => {
                let lock = context.lock(place)?;
                let mut wire = SerialServerWire::connect(address)?;
                wire.set_speed(speed(baud)).map_err(gone)?;
                (lock, Port::Other(Box::new(wire)))
            }
            Place::Tcp(address) => (context.lock(place)?, Port::Other(Box::new(TcpWire::connect(address)?))),
            _ => return Err(Stop::usage(format!("{place} is no serial port of a board")).hint("Give its port, such as /dev/ttyUSB1.")),
        };
        Ok(Console { port, _lock: lock })
    }

    pub fn wire(&mut self) -> &mut dyn Wire {
        match &mut self.port {
            Port::Serial(wire) => wire,
            Port::Other(wire) => wire.as_mut(),
        }
    }

    /// Passes over what the board has said so far: it is about something else.
    ///
    /// # Errors
    /// The port is gone.
    pub fn pass_over(&mut self) -> Result<(), Stop> {
        let wire = self.wire();
        loop {
            let mut heard = Vec::new();
            wire.receive(&mut heard, wire.clock().now()).map_err(gone)?;
            if heard.is_empty() {
                return Ok(());
            }
        }
    }

    /// Resets the board by a control line of the port; false where there is none, or the port has none.
    ///
    /// # Errors
    /// The port is gone.
    pub fn reset(&mut self, line: Option<ControlLine>) -> Result<bool, Stop> {
        match (line, &mut self.port) {
            (Some(line), Port::Serial(wire)) => wire.pulse(line).map(|()| true).map_err(gone),
            _ => Ok(false),
        }
    }

    /// Listens to a board that was started just now, and how. `before` was heard already.
    ///
    /// # Errors
    /// The port is gone.
    pub fn watch(&mut self, watch: Watch, since: Since, before: &[u8]) -> Result<Watched, Stop> {
        let stop = interrupt::flag()?;
        let said = listen_for(self.wire(), &watch.alive, before, watch.within, &mut || go_on(stop)).map_err(gone)?;
        Ok(Watched { watch, said, since })
    }
}

fn gone(why: io::Error) -> Stop {
    Stop::usage(why.to_string())
}

impl Watch {
    /// What the command line asks for, of this board.
    ///
    /// # Errors
    /// The board file does not say what shows that the firmware runs.
    pub fn asked_for(context: &Context, board: &Board) -> Result<Option<Watch>, Stop> {
        let Some(within) = context.global.watch else { return Ok(None) };
        let Some(console) = &board.console else {
            let what = format!("the board file of {} has no [console], so nothing says what shows that the firmware runs", board.name);
            return Err(Stop::usage(what));
        };
        Ok(Some(Watch { baud: console.baud, within, alive: console.alive.clone() }))
    }
}

impl Watched {
    fn is_alive(&self) -> bool {
        self.said.wanted_after.is_some()
    }

    /// The exit code of a job that went well, and after which the board was watched or not.
    pub fn code(watched: Option<&Watched>) -> ExitCode {
        match watched.is_none_or(Watched::is_alive) {
            true => ExitCode::SUCCESS,
            false => ExitCode::from(Code::Differs as u8),
        }
    }

    /// What was seen, as text.
    pub fn tell(&self) {
        let Watch { within, alive, .. } = &self.watch;
        let since = self.since.words();
        let what = match self.said.wanted_after {
            // It came with the loader's last answer.
            Some(after) if after < AT_ONCE => format!("running: it said \"{alive}\" as soon as {since}"),
            Some(after) => format!("running: it said \"{alive}\" {} after {since}", output::seconds(after)),
            None => format!("not running: within {} it did not say \"{alive}\"; {}", output::seconds(*within), self.instead()),
        };
        output::say_under("Seen         ", what);
    }

    fn instead(&self) -> String {
        match self.said.bytes.as_slice() {
            [] => "it said nothing".to_owned(),
            bytes => {
                let first = bytes.get(..TOLD).unwrap_or(bytes);
                format!("it said \"{}\"", String::from_utf8_lossy(first).escape_debug())
            }
        }
    }

    pub fn as_json(&self) -> Value {
        json!({
            "alive": self.is_alive(), "after_ms": self.said.wanted_after.map(|after| after.as_millis() as u64),
            "said": String::from_utf8_lossy(&self.said.bytes),
        })
    }
}

/// What is no time that anybody could tell.
const AT_ONCE: Duration = Duration::from_millis(1);

/// So many bytes of what was said instead are told.
const TOLD: usize = 200;
