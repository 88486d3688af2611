//! Ctrl-C: the page in hand is finished and the chip let go.

use super::stop::Stop;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, Ordering};

static ASKED: AtomicBool = AtomicBool::new(false);

/// The flag that Ctrl-C sets. The handler is put in place at the first call.
///
/// # Errors
/// When the system does not allow a handler.
pub fn flag() -> Result<&'static AtomicBool, Stop> {
    static PLACED: OnceLock<Result<(), String>> = OnceLock::new();
    let placed = PLACED.get_or_init(|| ctrlc::set_handler(|| ASKED.store(true, Ordering::Relaxed)).map_err(|why| why.to_string()));
    match placed {
        Ok(()) => Ok(&ASKED),
        Err(why) => Err(Stop::usage(format!("Ctrl-C cannot be caught here, so a job could not be stopped safely: {why}"))),
    }
}

/// Whether Ctrl-C was pressed since the handler is in place.
pub fn asked() -> bool {
    ASKED.load(Ordering::Relaxed)
}
