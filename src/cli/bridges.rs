//! `farrier bridges`: what a bridge may be reached through, and which of it is one.

mod make;
mod uf2_drive;
mod view;

use super::connect::baud;
use super::context::Context;
use super::gpio;
use super::home::Home;
use super::interrupt;
use super::output;
use super::place::Place;
use super::stop::{Code, Stop};
use crate::bus::Abilities;
use crate::frame::Hello;
use crate::link::{self, device_file};
use crate::lock::Lock;
use clap::{Args, Subcommand};
use std::path::PathBuf;
use std::process::ExitCode;

/// The serial ports, USB devices and GPIO lines that a bridge may be, and which of them are one.
///
/// Nothing is opened without --ask. With it, what has the ids of our firmware says what it is, and so do the places that are named;
/// other ports are left alone, because opening one resets some boards. Nothing is looked for on networks.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier bridges\nExample: farrier bridges --ask /dev/ttyUSB0 tcp://bench.local:7000")]
pub struct Bridges {
    #[command(subcommand)]
    pub command: Option<BridgesCommand>,
    /// Ask what has the ids of our firmware, and the places named here, what it is.
    #[arg(long, value_name = "WHERE", num_args = 0..)]
    pub ask: Option<Vec<String>>,
}

#[derive(Subcommand, Debug)]
pub enum BridgesCommand {
    Make(make::Make),
}

/// What a bridge may be reached through.
pub struct Found {
    pub ports: Vec<Port>,
    /// Why USB devices are not among them.
    pub usb_failed: Option<String>,
}

/// A serial port or a USB device of this computer, or a place that was named.
pub struct Port {
    pub place: Place,
    pub ids: Option<(u16, u16)>,
    pub serial_number: Option<String>,
    pub product_text: Option<String>,
    /// It has the ids and the product text of our firmware.
    pub ours: bool,
    /// Where its USB device is plugged in.
    usb_path: Option<String>,
    device_file: Option<PathBuf>,
    pub state: State,
}

/// What is known of a port.
pub enum State {
    NotAsked,
    /// This user may not open it; what helps.
    NotAllowed(String),
    /// By another run of this program.
    InUse(String),
    /// It answered; at this speed, where it has one.
    Bridge(Box<Hello>, Option<u32>),
    /// GPIO lines that were taken for a moment, as inputs: they can be used, and this is how fast they are.
    Lines(Box<Abilities>),
    /// It was asked, and this went wrong.
    Failed(Stop),
}

/// The serial ports and USB devices of this computer, and the files of this user that describe GPIO lines. Opens none.
pub fn find(home: &Home) -> Found {
    let mut ports: Vec<Port> = link::serial_ports().into_iter().map(Port::serial).collect();
    let (devices, usb_failed) = match link::usb_devices() {
        Ok(devices) => (devices, None),
        Err(error) => (Vec::new(), Some(error.to_string())),
    };
    for device in devices {
        // A converter whose driver makes it a serial port is listed as that.
        let is_port = ports.iter().any(|port| port.usb_path.as_ref() == Some(&device.path));
        if device.is_ours() || !is_port {
            ports.push(Port::usb(device));
        }
    }
    ports.extend(gpio::names(home).into_iter().map(|name| Port::gpio(home, name)));
    Found { ports, usb_failed }
}

impl Found {
    /// The places that are bridges by their ids, each bridge once.
    pub fn sure(&self) -> Vec<Place> {
        let ours = || self.ports.iter().filter(|port| port.ours);
        let again = |port: &Port| {
            matches!(port.place, Place::Serial { .. })
                && port.usb_path.is_some()
                && ours().any(|other| matches!(other.place, Place::Usb(_)) && other.usb_path == port.usb_path)
        };
        ours().filter(|port| !again(port)).map(|port| port.place.clone()).collect()
    }

    /// All places: those that are bridges by their ids first, then the other serial ports and the GPIO lines.
    pub fn places(&self) -> Vec<Place> {
        let others = self.ports.iter().filter(|port| !port.ours && matches!(port.place, Place::Serial { .. } | Place::Gpio(_)));
        self.sure().into_iter().chain(others.map(|port| port.place.clone())).collect()
    }
}

impl Port {
    fn serial(found: link::SerialPortFound) -> Port {
        let mut port = Port::named(Place::Serial { path: found.path.clone(), baud: None });
        port.device_file = Some(found.path.into());
        if let Some(usb) = found.usb {
            port.ours = usb.is_ours();
            port.ids = Some((usb.vendor, usb.product));
            (port.serial_number, port.product_text, port.usb_path) = (usb.serial_number, usb.product_text, usb.path);
        }
        port
    }

    fn usb(device: link::UsbDevice) -> Port {
        let name = device.serial_number.clone().unwrap_or_else(|| device.path.clone());
        let ours = device.is_ours();
        Port {
            place: Place::Usb(Some(name)),
            ids: Some((device.vendor, device.product)),
            serial_number: device.serial_number,
            product_text: device.product_text,
            ours,
            usb_path: Some(device.path),
            device_file: Some(device.device_file),
            state: State::NotAsked,
        }
    }

    fn gpio(home: &Home, name: String) -> Port {
        let described = gpio::described(home, &name);
        let mut port = Port::named(Place::Gpio(name));
        match described {
            Ok(file) => port.product_text = Some(file.summary),
            Err(stop) => port.state = State::Failed(stop),
        }
        port
    }

    /// A place of which nothing is known.
    fn named(place: Place) -> Port {
        let (ids, serial_number, product_text, usb_path, device_file) = (None, None, None, None, None);
        Port { place, ids, serial_number, product_text, ours: false, usb_path, device_file, state: State::NotAsked }
    }

    /// What can be told without opening it.
    fn look(&mut self, context: &Context) {
        let holder = context.lock_file(&self.place).and_then(|path| Lock::holder(&path));
        let forbidden = self.device_file.as_ref().filter(|file| !device_file::may_open(file));
        if !matches!(self.state, State::NotAsked) {
            return;
        }
        self.state = match (holder, forbidden) {
            (Some(holder), _) => State::InUse(holder),
            (None, Some(file)) => State::NotAllowed(device_file::remedy(file)),
            (None, None) => State::NotAsked,
        };
    }

    fn ask(&mut self, context: &Context) {
        if !matches!(self.state, State::NotAsked) {
            return;
        }
        let asked = match &self.place {
            Place::Sim(_) => Err(Stop::usage("a simulated board; `farrier sim list` shows those")),
            Place::Gpio(name) => self.take_lines(context, name).map(State::Lines),
            place => context.open_bridge(place).map(|(client, _)| State::Bridge(Box::new(client.hello().clone()), baud(place, &client))),
        };
        self.state = asked.unwrap_or_else(State::Failed);
    }

    /// Lines say no HELLO: whether they can be had, and how fast they are, shows when they are taken.
    fn take_lines(&self, context: &Context, name: &str) -> Result<Box<Abilities>, Stop> {
        let file = gpio::described(&context.home, name)?;
        let _lock = context.lock(&self.place)?;
        Ok(Box::new(gpio::open(&file)?.abilities().clone()))
    }
}

impl Bridges {
    /// Prints them.
    ///
    /// # Errors
    /// Exit code 4 where a place that was named is no bridge.
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        if let Some(BridgesCommand::Make(make)) = self.command {
            return make.run(context);
        }
        let mut found = find(&context.home);
        found.ports.iter_mut().for_each(|port| port.look(context));
        let mut code = ExitCode::SUCCESS;
        if let Some(named) = self.ask {
            let named: Result<Vec<Place>, String> = named.iter().map(|text| text.parse()).collect();
            for place in named.map_err(Stop::usage)? {
                let known = found.ports.iter().position(|port| port.place == place);
                let at = known.unwrap_or_else(|| {
                    found.ports.push(Port::named(place));
                    found.ports.len() - 1
                });
                found.ports[at].look(context);
                found.ports[at].ask(context);
                if interrupt::asked() {
                    return Err(Stop::new(Code::Interrupted, "stopped as asked; the ports are free"));
                }
                let fine = matches!(found.ports[at].state, State::Bridge(..) | State::Lines(_));
                if !fine {
                    code = ExitCode::from(Code::NoAnswer as u8);
                }
            }
            found.ports.iter_mut().filter(|port| port.ours).for_each(|port| port.ask(context));
        }
        match context.global.json {
            true => output::json(&view::as_json(&found)),
            false => view::print(&found),
        }
        Ok(code)
    }
}
