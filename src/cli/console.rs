//! The serial port on which a board's firmware talks.

use super::context::Context;
use super::place::Place;
use super::stop::Stop;
use super::{interrupt, output};
use crate::board::Board;
use crate::link::{Said, SerialServerWire, SerialWire, SpeedWire, TcpWire, Wire, listen_for};
use crate::lock::Lock;
use crate::time::Moment;
use serde_json::{Value, json};
use std::ops::ControlFlow;
use std::time::Duration;

/// A console that is open, for this process alone.
pub struct Console {
    port: Port,
    /// What shows that the firmware runs, where the board file names it.
    alive: Option<String>,
    /// When the board was reset or let go.
    since: Moment,
    _lock: Lock,
}

enum Port {
    Serial(SerialWire),
    Other(Box<dyn Wire>),
}

/// What a board said after it was let go.
pub struct Watched {
    said: Said,
    alive: String,
    within: Duration,
}

impl Console {
    /// Opens a board's port, at so many baud where its name does not say it.
    ///
    /// # Errors
    /// It is no serial port, or may not be used.
    pub fn open(context: &Context, board: &Board, place: Place, fast: u32) -> Result<Console, Stop> {
        let speed = |baud: &Option<u32>| baud.unwrap_or(fast);
        let (lock, port) = match &place {
            Place::Serial { path, baud } => (context.lock(&place)?, Port::Serial(SerialWire::open(path, speed(baud))?)),
            Place::SerialServer { address, baud } => {
                let lock = context.lock(&place)?;
                let mut wire = SerialServerWire::connect(address)?;
                wire.set_speed(speed(baud)).map_err(|why| Stop::usage(why.to_string()))?;
                (lock, Port::Other(Box::new(wire)))
            }
            Place::Tcp(address) => (context.lock(&place)?, Port::Other(Box::new(TcpWire::connect(address)?))),
            _ => return Err(Stop::usage(format!("{place} is no serial port of a board")).hint("Give its port, such as /dev/ttyUSB1.")),
        };
        let mut console =
            Console { port, alive: board.console.as_ref().map(|console| console.alive.clone()), since: Moment::default(), _lock: lock };
        console.let_go_now();
        Ok(console)
    }

    pub fn wire(&mut self) -> &mut dyn Wire {
        match &mut self.port {
            Port::Serial(wire) => wire,
            Port::Other(wire) => wire.as_mut(),
        }
    }

    /// From now on the board's firmware runs.
    pub fn let_go_now(&mut self) {
        self.since = self.wire().clock().now();
    }

    /// Resets the board by a control line of the port; false where the board file names none, or the port has none.
    ///
    /// # Errors
    /// The port is gone.
    pub fn reset(&mut self, board: &Board) -> Result<bool, Stop> {
        let line = board.console.as_ref().and_then(|console| console.reset_line);
        let (Some(line), Port::Serial(wire)) = (line, &mut self.port) else { return Ok(false) };
        wire.pulse(line).map_err(|why| Stop::usage(why.to_string()))?;
        self.let_go_now();
        Ok(true)
    }

    /// As [`Console::watch`], of a board that was just let go.
    ///
    /// # Errors
    /// The same.
    pub fn watch_from_now(&mut self, within: Duration) -> Result<Watched, Stop> {
        self.let_go_now();
        self.watch(&[], within)
    }

    /// Listens whether the firmware says that it is alive. `before` was heard already.
    ///
    /// # Errors
    /// The port is gone, or Ctrl-C.
    pub fn watch(&mut self, before: &[u8], within: Duration) -> Result<Watched, Stop> {
        let stop = interrupt::flag()?;
        let mut go_on = || if stop.load(std::sync::atomic::Ordering::Relaxed) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) };
        let alive = self.alive.clone().ok_or_else(|| {
            Stop::usage("the board file names no text that shows that the firmware runs").hint("Give it a [console] with `alive`.")
        })?;
        let since = self.since;
        let said = listen_for(self.wire(), &alive, before, (since, within), &mut go_on).map_err(|why| Stop::usage(why.to_string()))?;
        Ok(Watched { said, alive, within })
    }
}

impl Watched {
    pub fn is_alive(&self) -> bool {
        self.said.wanted_after.is_some()
    }

    /// What was seen, as text.
    pub fn tell(&self) {
        let what = match self.said.wanted_after {
            Some(after) => format!("running: it said \"{}\" {} after it was let go", self.alive, output::seconds(after)),
            None => format!("not running: within {} it did not say \"{}\"; {}", output::seconds(self.within), self.alive, self.instead()),
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

/// So many bytes of what was said instead are told.
const TOLD: usize = 200;
