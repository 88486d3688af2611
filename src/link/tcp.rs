//! A bridge at another machine, its bytes carried by TCP as they are.

use super::Wire;
use super::open::{OpenError, gone, stuck};
use crate::time::{Clock, HostClock, Moment, SharedClock};
use std::io::{self, Read, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::rc::Rc;
use std::time::Duration;

/// How long each address of a machine has to answer.
const CONNECT_WITHIN: Duration = Duration::from_secs(5);

/// How long a connection may take no byte.
const WRITE_WITHIN: Duration = Duration::from_secs(10);

/// The shortest time that a socket can be told to wait.
const WAIT_LEAST: Duration = Duration::from_millis(1);

/// What the network carries is not known, so this is what a serial line of 1,000,000 baud behind it would carry.
const BYTES_PER_SECOND: u32 = 100_000;

/// A TCP connection to a bridge.
pub struct TcpWire {
    stream: TcpStream,
    place: String,
    clock: Rc<HostClock>,
}

impl TcpWire {
    /// Connects to `HOST:PORT`. An IPv6 address stands in brackets.
    ///
    /// # Errors
    /// No such machine, or nothing there accepts a connection within 5 s.
    pub fn connect(address: &str) -> Result<TcpWire, OpenError> {
        let place = format!("tcp://{address}");
        let stream = connect(address, &place)?;
        Ok(TcpWire { stream, place, clock: Rc::new(HostClock::start()) })
    }
}

/// A connection without delays of its own, for frames that are answered one by one.
pub(super) fn connect(address: &str, place: &str) -> Result<TcpStream, OpenError> {
    let unreachable = |next| move |source| OpenError::Unreachable { place: place.into(), source, next };
    let addresses = address.to_socket_addrs().map_err(unreachable("Check the machine's name."))?;
    let mut result = Err(io::Error::new(io::ErrorKind::NotFound, "the name stands for no address"));
    for one in addresses {
        result = TcpStream::connect_timeout(&one, CONNECT_WITHIN);
        if result.is_ok() {
            break;
        }
    }
    let ready = result.and_then(|stream| {
        stream.set_nodelay(true)?;
        stream.set_write_timeout(Some(WRITE_WITHIN))?;
        Ok(stream)
    });
    ready.map_err(unreachable("Check that the bridge is served there, and on that port."))
}

/// Sends everything.
pub(super) fn send(stream: &mut TcpStream, place: &str, bytes: &[u8]) -> io::Result<()> {
    stream.write_all(bytes).map_err(|error| if has_waited(&error) { stuck(place) } else { gone(place, &error) })
}

/// Waits for bytes until the deadline; nothing may come.
pub(super) fn receive(stream: &mut TcpStream, place: &str, wait: Duration) -> io::Result<Vec<u8>> {
    let mut buffer = [0; 4096];
    stream.set_read_timeout(Some(wait.max(WAIT_LEAST)))?;
    match stream.read(&mut buffer) {
        Ok(0) => Err(gone(place, &io::ErrorKind::UnexpectedEof.into())),
        Ok(count) => Ok(buffer.iter().take(count).copied().collect()),
        Err(error) if has_waited(&error) || error.kind() == io::ErrorKind::Interrupted => Ok(Vec::new()),
        Err(error) => Err(gone(place, &error)),
    }
}

/// Systems have two words for a time-out of a socket.
fn has_waited(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut)
}

impl Wire for TcpWire {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        send(&mut self.stream, &self.place, bytes)
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        loop {
            let left = deadline.since(self.clock.now());
            let arrived = receive(&mut self.stream, &self.place, left)?;
            into.extend(&arrived);
            if !arrived.is_empty() || left.is_zero() {
                return Ok(());
            }
        }
    }

    fn clock(&self) -> SharedClock {
        self.clock.clone()
    }

    fn bytes_per_second(&self) -> u32 {
        BYTES_PER_SECOND
    }
}
