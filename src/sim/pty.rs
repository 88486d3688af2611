//! A pseudo-terminal: a serial port without hardware, at whose other end the simulated bridge is.

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags, fcntl_setfl};
use rustix::io::Errno;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use std::fs::File;
use std::io::{self, Read, Write};
use std::path::PathBuf;

/// How long what is written waits for somebody to read it. A bridge behind a serial port cannot wait at all.
const WRITE_WITHIN: Timespec = Timespec { tv_sec: 1, tv_nsec: 0 };

/// The end of a pseudo-terminal that a program does not see as a port.
pub struct Pty {
    master: File,
    path: PathBuf,
}

impl Pty {
    /// Makes a pseudo-terminal that passes every byte on as it is.
    ///
    /// # Errors
    /// When the system has none left, or allows none.
    pub fn open() -> io::Result<Pty> {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let name = ptsname(&master, Vec::new())?;
        let path = PathBuf::from(name.to_string_lossy().into_owned());
        // As it is made it echoes and changes line ends. What is set through this end stays when that is closed again.
        let port = rustix::fs::open(&path, OFlags::RDWR | OFlags::NOCTTY, Mode::empty())?;
        let mut settings = tcgetattr(&port)?;
        settings.make_raw();
        tcsetattr(&port, OptionalActions::Now, &settings)?;
        fcntl_setfl(&master, OFlags::NONBLOCK)?;
        Ok(Pty { master: File::from(master), path })
    }

    /// The port's path, to open it by.
    #[must_use]
    pub fn path(&self) -> PathBuf {
        self.path.clone()
    }

    /// Another handle of the same end.
    ///
    /// # Errors
    /// When the process has too many files open.
    pub fn try_clone(&self) -> io::Result<Pty> {
        Ok(Pty { master: self.master.try_clone()?, path: self.path.clone() })
    }

    /// Whether a program has the port open.
    #[must_use]
    pub fn is_open(&self) -> bool {
        let mut ask = [PollFd::new(&self.master, PollFlags::IN)];
        let asked = poll(&mut ask, Some(&Timespec::default()));
        asked.is_ok() && !ask[0].revents().contains(PollFlags::HUP)
    }

    /// What the program at the port sends, until it closes the port.
    ///
    /// # Errors
    /// When the process has too many files open.
    pub fn reader(&self) -> io::Result<impl Read + Send + use<>> {
        Ok(Reader(self.master.try_clone()?))
    }

    /// To the program at the port. What nobody reads within 1 s is lost.
    pub fn writer(&mut self) -> impl Write {
        Writer(&mut self.master)
    }
}

struct Reader(File);

impl Read for Reader {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        loop {
            poll(&mut [PollFd::new(&self.0, PollFlags::IN)], None)?;
            match rustix::io::read(&self.0, &mut *buffer) {
                Err(Errno::AGAIN) => {}
                // So this system says that the port is closed.
                Err(Errno::IO) => return Ok(0),
                result => return Ok(result?),
            }
        }
    }
}

struct Writer<'a>(&'a mut File);

impl Write for Writer<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let can = poll(&mut [PollFd::new(&*self.0, PollFlags::OUT)], Some(&WRITE_WITHIN))?;
        match rustix::io::write(&*self.0, bytes) {
            Err(Errno::AGAIN) if can == 0 => Ok(bytes.len()),
            Err(Errno::AGAIN) => Err(io::ErrorKind::Interrupted.into()),
            result => Ok(result?),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
