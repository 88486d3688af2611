//! Farrier fits firmware loaders to bare microcontroller boards and looks after what is on them.
//!
//! # Layers
//!
//! Who may use whom; `tests/tidy` reads the `use` lines and fails on any other arrow. Every module may use `units`.
//!
//! ```text
//! units, finding, time, file   nothing
//! reader                 nothing; TOML that people write
//! image                  finding
//! board                  image, finding, reader
//! lock                   time
//! bus                    time, finding
//! frame                  bus
//! link                   bus, frame, time, finding, reader
//! algorithm              bus, board, image, time, finding
//! plan                   board, image, finding
//! record                 board, image, plan, finding, file
//! diagnosis              plan, algorithm, board, image, finding
//! job                    plan, diagnosis, record, algorithm, bus, board, image, time, finding
//! sim                    frame, bus, board, image, time, finding, lock, file, link (wires and executors)
//! cli                    everything; it opens the link and hands job a bus
//! ```
//!
//! # The modules, from the bottom up
//!
//! [`units`], [`time`] and [`finding`] are words that all the others share: hertz, volts and counts of bytes; time as a handle, which
//! is the host's or a simulated one; and the one table of everything that a plan may object to. [`file`] is how every file is written.
//!
//! [`reader`] reads descriptions in TOML and tells every mistake with its place. [`image`] is bytes with addresses, sparse, read from
//! Intel HEX, raw binary and ELF files and written again. [`board`] is what is known of chips and boards before one is connected, and
//! the catalog of them.
//!
//! [`bus`] is what a bridge between the computer and a board can do for a programming algorithm. [`frame`] is the same as bytes on a wire,
//! the bridge protocol. [`link`] has the wires, and the client that makes a bus of any of them, however bad it is.
//!
//! [`algorithm`] brings a chip into programming mode and reads, erases, writes and proves; one module for each datasheet procedure. It
//! decides nothing.
//!
//! [`plan`] decides everything and touches nothing: from the board before the first change, an intent and images it makes the state that
//! is wanted, and from what the board holds now the steps to there, with all that speaks against them. [`record`] keeps snapshots and
//! the journal. [`diagnosis`] tells, as purely, what is wrong with a board that does not answer or does not start, and what mends it.
//! [`job`] puts these together: observe, find the baseline, execute, verify.
//!
//! [`sim`] is the other end of the wire, a bridge and a board written from the datasheets and not from the code that drives them. [`cli`]
//! is the program: a file a command, and the only code that knows of terminals, folders and the date.

pub mod algorithm;
pub mod board;
pub mod bus;
pub mod cli;
pub mod diagnosis;
pub mod file;
pub mod finding;
pub mod frame;
pub mod image;
pub mod job;
pub mod link;
pub mod lock;
pub mod plan;
pub mod reader;
pub mod record;
pub mod sim;
pub mod time;
pub mod units;
