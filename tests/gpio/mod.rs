//! The bridge made of GPIO lines: its description, its waveforms on lines that write everything down, and whole jobs with the sim's board
//! behind such lines.

mod fake;
mod file;
mod on_board;
#[cfg(target_os = "linux")]
mod real_lines;
mod waveform;
