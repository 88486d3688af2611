//! A serial port of another machine, which lets its speed be set: telnet with the COM port control option of RFC 2217.

use super::greet::SpeedWire;
use super::open::{OpenError, gone, stuck};
use super::telnet::{BINARY, COM_PORT, Decoder, Item, SUPPRESS_GO_AHEAD, Verb, escaped, option, subnegotiation};
use super::{Wire, tcp};
use crate::time::{Clock, HostClock, Moment, SharedClock};
use std::io;
use std::net::TcpStream;
use std::rc::Rc;
use std::time::Duration;

/// Commands (RFC 2217, section 'Com Port Configuration Commands'); the server answers with [`ANSWER`] more.
const SET_BAUDRATE: u8 = 1;
const SET_DATASIZE: u8 = 2;
const SET_PARITY: u8 = 3;
const SET_STOPSIZE: u8 = 4;
const SET_CONTROL: u8 = 5;
const FLOW_SUSPEND: u8 = 8;
const FLOW_RESUME: u8 = 9;
const PURGE_DATA: u8 = 12;
const ANSWER: u8 = 100;

/// Their values.
const EIGHT_BITS: u8 = 8;
const NO_PARITY: u8 = 1;
const ONE_STOP_BIT: u8 = 1;
const NO_FLOW_CONTROL: u8 = 1;
const DTR_ON: u8 = 8;
const RTS_ON: u8 = 11;
const BOTH_BUFFERS: u8 = 3;

/// How long a server has to answer, and how long it may ask us to wait.
const ANSWER_WITHIN: Duration = Duration::from_secs(3);
const SUSPENDED_MAX: Duration = Duration::from_secs(10);

/// Start bit, 8 data bits, stop bit.
const BITS_PER_BYTE: u32 = 10;

/// A connection to a serial-port server.
pub struct SerialServerWire {
    stream: TcpStream,
    place: String,
    clock: Rc<HostClock>,
    baud: u32,
    decoder: Decoder,
    /// Arrived and not handed on.
    data: Vec<u8>,
    /// What the server says of the COM port option; nothing so far.
    willing: Option<bool>,
    /// Answers to commands: the command, and its value.
    answers: Vec<(u8, Vec<u8>)>,
    suspended: bool,
}

impl SerialServerWire {
    /// Connects to `HOST:PORT` and sets the port there to 8 data bits, no parity, 1 stop bit, without flow control.
    ///
    /// # Errors
    /// Nothing accepts a connection there, or what does will not set a serial port.
    pub fn connect(address: &str) -> Result<SerialServerWire, OpenError> {
        let place = format!("rfc2217://{address}");
        let stream = tcp::connect(address, &place)?;
        let mut wire = SerialServerWire {
            stream,
            place: place.clone(),
            clock: Rc::new(HostClock::start()),
            baud: 0,
            decoder: Decoder::default(),
            data: Vec::new(),
            willing: None,
            answers: Vec::new(),
            suspended: false,
        };
        wire.negotiate().map_err(|error| OpenError::Unsuitable { place, why: error.to_string() })?;
        Ok(wire)
    }

    fn negotiate(&mut self) -> io::Result<()> {
        let offers = [
            option(Verb::Will, COM_PORT),
            option(Verb::Will, BINARY),
            option(Verb::Do, BINARY),
            option(Verb::Will, SUPPRESS_GO_AHEAD),
            option(Verb::Do, SUPPRESS_GO_AHEAD),
        ];
        tcp::send(&mut self.stream, &self.place, &offers.concat())?;
        let deadline = self.clock.now().plus(ANSWER_WITHIN);
        while self.willing.is_none() && self.clock.now() < deadline {
            self.pump(deadline)?;
        }
        if self.willing != Some(true) {
            let how = if self.willing.is_some() { "refuses to" } else { "does not say that it can" };
            let instead = self.place.replace("rfc2217", "tcp");
            return Err(io::Error::other(format!(
                "the server there {how} set a serial port (COM port option, RFC 2217).\n\
                 If it passes bytes on as they are, at the speed of the bridge, use {instead}"
            )));
        }
        for (command, value) in [(SET_DATASIZE, EIGHT_BITS), (SET_PARITY, NO_PARITY), (SET_STOPSIZE, ONE_STOP_BIT)] {
            self.set(command, &[value])?;
        }
        // Not every server has these lines, or a word on them.
        for value in [NO_FLOW_CONTROL, DTR_ON, RTS_ON] {
            self.say(SET_CONTROL, &[value])?;
        }
        Ok(())
    }

    fn say(&mut self, command: u8, value: &[u8]) -> io::Result<()> {
        let words = [&[command], value].concat();
        tcp::send(&mut self.stream, &self.place, &subnegotiation(COM_PORT, &words))
    }

    /// Gives a command and waits for the answer, which says what holds now.
    fn ask(&mut self, command: u8, value: &[u8]) -> io::Result<Option<Vec<u8>>> {
        self.answers.retain(|(answered, _)| *answered != command);
        self.say(command, value)?;
        let deadline = self.clock.now().plus(ANSWER_WITHIN);
        loop {
            if let Some((_, now)) = self.answers.iter().find(|(answered, _)| *answered == command) {
                return Ok(Some(now.clone()));
            }
            if self.clock.now() >= deadline {
                return Ok(None);
            }
            self.pump(deadline)?;
        }
    }

    /// Sets something that must be as it is asked.
    fn set(&mut self, command: u8, value: &[u8]) -> io::Result<()> {
        match self.ask(command, value)? {
            Some(now) if now == value => Ok(()),
            Some(now) => {
                Err(io::Error::other(format!("the server set {now:02X?} instead of {value:02X?} (command {command} of RFC 2217)")))
            }
            None => Err(io::Error::other(format!("the server did not answer command {command} of RFC 2217"))),
        }
    }

    /// Takes what arrives until the deadline, once.
    fn pump(&mut self, deadline: Moment) -> io::Result<()> {
        let wait = deadline.since(self.clock.now());
        for byte in tcp::receive(&mut self.stream, &self.place, wait)? {
            match self.decoder.push(byte) {
                Some(Item::Data(byte)) => self.data.push(byte),
                Some(Item::Option(verb, option)) => self.hear(verb, option)?,
                Some(Item::Subnegotiation(words)) => self.hear_subnegotiation(&words),
                None => {}
            }
        }
        Ok(())
    }

    /// What was offered here is not answered again (RFC 854: an agreement ends there); everything else that is offered is refused.
    fn hear(&mut self, verb: Verb, about: u8) -> io::Result<()> {
        let wanted = [BINARY, SUPPRESS_GO_AHEAD].contains(&about);
        let answer = match (verb, about) {
            (Verb::Do, COM_PORT) => {
                self.willing = Some(true);
                return Ok(());
            }
            // Some servers offer it from their side too.
            (Verb::Will, COM_PORT) => Verb::Do,
            (Verb::Dont, COM_PORT) => {
                self.willing = Some(false);
                return Ok(());
            }
            (Verb::Will, _) if !wanted => Verb::Dont,
            (Verb::Do, _) if !wanted => Verb::Wont,
            _ => return Ok(()),
        };
        tcp::send(&mut self.stream, &self.place, &option(answer, about))
    }

    fn hear_subnegotiation(&mut self, words: &[u8]) {
        let [COM_PORT, code, value @ ..] = words else { return };
        match code.checked_sub(ANSWER) {
            Some(FLOW_SUSPEND) => self.suspended = true,
            Some(FLOW_RESUME) => self.suspended = false,
            Some(command) => {
                self.answers.retain(|(answered, _)| *answered != command);
                self.answers.push((command, value.to_vec()));
            }
            None => {}
        }
    }
}

impl Wire for SerialServerWire {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        let deadline = self.clock.now().plus(SUSPENDED_MAX);
        while self.suspended {
            if self.clock.now() >= deadline {
                return Err(stuck(&self.place));
            }
            self.pump(deadline)?;
        }
        tcp::send(&mut self.stream, &self.place, &escaped(bytes))
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        while self.data.is_empty() {
            let over = self.clock.now() >= deadline;
            self.pump(deadline)?;
            if over {
                break;
            }
        }
        into.append(&mut self.data);
        Ok(())
    }

    fn clock(&self) -> SharedClock {
        self.clock.clone()
    }

    fn bytes_per_second(&self) -> u32 {
        self.baud / BITS_PER_BYTE
    }
}

impl SpeedWire for SerialServerWire {
    fn set_speed(&mut self, baud: u32) -> io::Result<()> {
        if baud != self.baud {
            self.set(SET_BAUDRATE, &baud.to_be_bytes()).map_err(|error| match error.kind() {
                io::ErrorKind::Other => io::Error::other(format!("{} cannot be set to {baud} baud: {error}", self.place)),
                _ => gone(&self.place, &error),
            })?;
            self.baud = baud;
        }
        // What was heard at another speed is garbage, at both machines.
        self.ask(PURGE_DATA, &[BOTH_BUFFERS])?;
        self.data.clear();
        Ok(())
    }
}
