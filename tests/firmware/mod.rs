//! The bridge's own firmware, run: the portable core as a program on the host, and the ATmega328P images in an emulator that nobody here
//! wrote.

mod at_a_port;
mod atmega328p;
mod core;
mod running;
mod watched;
