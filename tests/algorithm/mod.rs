//! Programming algorithms: exact instructions and behaviour on a scripted bus.

mod chips;
mod entry;
mod instructions;
mod letting_go;
mod on_sim;
mod rungs;
mod script;
