//! What a loader costs a board and gives it, in plain words.

use crate::board::{Board, Chip, Reservation};
use crate::units::Bytes;

/// What the flash that a board file reserves costs: room, and the time until the application starts.
pub fn costs(reservation: &Reservation, chip: &Chip) -> String {
    let Reservation { span, start_delay_ms, .. } = reservation;
    let percent = 100.0 * f64::from(span.len()) / f64::from(chip.flash.bytes.max(1));
    let seconds = f64::from(*start_delay_ms) / 1000.0;
    format!("{}, {percent:.1} % of the flash; the application starts up to {seconds} s later", Bytes(span.len().into()))
}

/// What a loader is there for. Of one that is not built in only its owner knows through what it is fed.
pub fn gives(board: &Board, built_in: bool) -> String {
    let line = board.reservation.as_ref().and_then(|reservation| reservation.line.baud);
    let baud = line.or(board.console.as_ref().map(|console| console.baud)).filter(|_| built_in);
    let through = baud.map_or(String::new(), |baud| format!(" through the serial port at {baud} baud,"));
    format!("new applications get in{through} without the programming header")
}
