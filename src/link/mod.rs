//! Wires to a bridge, wrappers over any wire, and the client that makes a bus of one.
//!
//! ```text
//! wire             what carries bytes to a bridge: serial (a port of this computer), serial_server and telnet (a port of another
//!                  one), tcp, usb, memory (in the same process, virtual time)
//! noise, delay, unplug, trace   wrappers over any wire
//! open, device_file, ports      why a wire cannot be opened, and what there is to open
//! greet            HELLO, at one speed after another; exchange: the session; client: the session as a bus; parts, pace: lists
//! xmodem           an image to a fitted loader, over the same wires; no bridge is in between
//! listen           what a board says on its console
//! executor         carrying operations out: bridge_end at the far end of a wire, direct without one
//! ```

mod bridge_end;
mod client;
mod delay;
pub mod device_file;
mod direct;
mod exchange;
mod executor;
pub mod gpio;
mod grain;
mod greet;
mod listen;
mod memory;
mod noise;
mod open;
mod pace;
mod parts;
mod ports;
mod serial;
mod serial_server;
mod tcp;
mod telnet;
mod trace;
mod unplug;
mod usb;
mod wire;
mod xmodem;

pub use bridge_end::BridgeEnd;
pub use client::Client;
pub use delay::DelayedWire;
pub use direct::DirectBus;
pub use executor::{Broken, Executor, Hands, carry_out};
pub use greet::{SpeedWire, Waiting};
pub use listen::{Said, listen_for};
pub use memory::{FarEnd, MemoryWire};
pub use noise::{Noise, NoisyWire};
pub use open::OpenError;
pub use ports::{SerialPortFound, SerialUsb, own_usb_path, serial_ports};
pub use serial::SerialWire;
pub use serial_server::SerialServerWire;
pub use tcp::TcpWire;
pub use trace::TracedWire;
pub use unplug::UnpluggedWire;
pub use usb::{PRODUCT, PRODUCT_TEXT, UsbDevice, UsbWire, VENDOR, usb_device, usb_devices};
pub use wire::Wire;
pub use xmodem::{BLOCK, Progress, Transfer, TransferError, send_xmodem};
