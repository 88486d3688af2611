//! One process a bridge: a lock of the operating system on a file that names its holder. It is free as soon as the process has ended,
//! however that was.

use crate::time::{Clock, HostClock};
use std::fs::{self, File, TryLockError};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How a lock names this process as its holder.
#[must_use]
pub fn this_process() -> String {
    format!("process {}", std::process::id())
}

/// Somebody who only looks whether a lock is held has it for a moment: it is tried again.
const TRIES: u32 = 3;
const BETWEEN_TRIES: Duration = Duration::from_millis(20);

/// A lock that this process holds until it is dropped.
#[derive(Debug)]
pub struct Lock {
    _file: File,
}

/// Why a lock was not taken.
#[derive(Debug, thiserror::Error)]
pub enum LockError {
    /// Another process has it, or this one already.
    #[error("it is held by {holder}")]
    Held { holder: String },
    #[error("cannot {doing} {}:\n{source}", .path.display())]
    Io { doing: &'static str, path: PathBuf, source: io::Error },
}

impl Lock {
    /// Takes the lock that this file stands for. The file is made where it is not there; its folder must be.
    ///
    /// # Errors
    /// Another process holds it, or the disk's.
    pub fn take(path: &Path) -> Result<Lock, LockError> {
        let io = |doing| move |source| LockError::Io { doing, path: path.into(), source };
        let mut file = File::options().create(true).truncate(false).write(true).open(path).map_err(io("open"))?;
        let clock = HostClock::start();
        for _ in 0..TRIES {
            match file.try_lock() {
                Ok(()) => {
                    let named = file.set_len(0).and_then(|()| file.write_all(this_process().as_bytes()));
                    return named.map(|()| Lock { _file: file }).map_err(io("write"));
                }
                Err(TryLockError::WouldBlock) => clock.wait_until(clock.now().plus(BETWEEN_TRIES)),
                Err(TryLockError::Error(error)) => return Err(io("lock")(error)),
            }
        }
        Err(LockError::Held { holder: named_in(path) })
    }

    /// Who holds the lock that this file stands for just now, if anybody does.
    #[must_use]
    pub fn holder(path: &Path) -> Option<String> {
        let file = File::open(path).ok()?;
        matches!(file.try_lock_shared(), Err(TryLockError::WouldBlock)).then(|| named_in(path))
    }
}

/// Where the system does not let a locked file be read, the holder has no name.
fn named_in(path: &Path) -> String {
    fs::read_to_string(path).ok().filter(|name| !name.is_empty()).unwrap_or_else(|| "another process".into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_taker_is_refused_until_the_first_lets_go() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lock");
        assert_eq!(Lock::holder(&path), None, "nobody has ever held it");
        let own = this_process();
        let lock = Lock::take(&path).unwrap();
        assert_eq!(Lock::holder(&path).as_ref(), Some(&own));
        assert!(matches!(Lock::take(&path), Err(LockError::Held { holder }) if holder == own));
        drop(lock);
        assert_eq!(Lock::holder(&path), None);
        Lock::take(&path).unwrap();
    }
}
