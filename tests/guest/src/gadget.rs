//! The device side: a USB device as a bridge is one, with a vendor-class interface of two bulk endpoints and a serial port (CDC-ACM). What
//! arrives on either is handed to a simulated bridge, and what that answers goes back the way on which the host spoke last.

use crate::program::{udevadm, until};
use crate::served::Served;
use bytes::{Bytes, BytesMut};
use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;
use std::process::Command;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::{self, JoinHandle};
use std::time::Duration;
use usb_gadget::function::custom::{Custom, Endpoint, EndpointDirection, EndpointReceiver, EndpointSender, Interface};
use usb_gadget::function::serial::{Serial, SerialClass};
use usb_gadget::{Class, Config, Gadget, Id, RegGadget, Strings, default_udc};

/// The published test id: it belongs to nobody, and stands here for an id of one's own.
pub const VENDOR: u16 = 0x1209;
pub const PRODUCT: u16 = 0x0001;
pub const PRODUCT_TEXT: &str = "Farrier bridge";
pub const SERIAL: &str = "GH-0042";

/// The serial port as the host sees it.
pub const PORT: &str = "/dev/ttyACM0";

/// The longest that the kernel may take to find a device, or to forget it.
const PATIENCE: Duration = Duration::from_secs(10);

/// How long a thread may sleep before it looks whether the device was pulled out.
const GLANCE: Duration = Duration::from_millis(50);

/// The bulk endpoints' packets, at high speed. A read of more would not end with a message that fills its last packet, so it is what one reads.
const PACKET_BYTES: usize = 512;

/// `open` with this gives a handle that never waits (Linux, asm-generic/fcntl.h).
const O_NONBLOCK: i32 = 0o4000;

/// Bytes of any other read.
const READ_BYTES: usize = 4096;

/// A device that is plugged in.
pub struct Plugged {
    registered: Option<RegGadget>,
    /// Without it the endpoints are no more.
    _custom: Custom,
    served: Served,
    state: Arc<State>,
    threads: Option<Threads>,
}

/// Those that carry the bytes. What they hold of the bulk endpoints they give back.
struct Threads {
    usb: JoinHandle<EndpointReceiver>,
    serial: JoinHandle<()>,
    answers: JoinHandle<EndpointSender>,
}

/// What the threads share.
struct State {
    /// Bytes that the host has sent.
    heard: AtomicUsize,
    /// When the host has sent these bytes, nothing more reaches the bridge.
    deaf_after: Option<Vec<u8>>,
    /// The last bytes that the host has sent, as many as may be a part of those.
    recent: Mutex<Vec<u8>>,
    deaf: AtomicBool,
    pulled_out: AtomicBool,
    spoke_on_serial: AtomicBool,
}

impl State {
    /// Takes note of bytes from the host. Gives what reaches the bridge.
    fn hear<'a>(&self, bytes: &'a [u8], on_serial: bool) -> &'a [u8] {
        self.heard.fetch_add(bytes.len(), Ordering::SeqCst);
        self.spoke_on_serial.store(on_serial, Ordering::SeqCst);
        if self.deaf.load(Ordering::SeqCst) {
            return &[];
        }
        let Some(mark) = &self.deaf_after else { return bytes };
        let mut recent = self.recent.lock().expect("no thread has failed");
        recent.extend(bytes);
        if recent.windows(mark.len()).any(|window| window == mark) {
            self.deaf.store(true, Ordering::SeqCst);
            return &[];
        }
        let surplus = recent.len().saturating_sub(mark.len() - 1);
        recent.drain(..surplus);
        bytes
    }

    fn is_pulled_out(&self) -> bool {
        self.pulled_out.load(Ordering::SeqCst)
    }
}

impl Plugged {
    /// Plugs the device in: the bridge of the simulated board of this name.
    pub fn new(sim: &str) -> Plugged {
        Plugged::with(sim, None)
    }

    /// Plugs it in. Once the host has sent these bytes, nothing more reaches the bridge.
    pub fn deaf_after(sim: &str, bytes: &[u8]) -> Plugged {
        Plugged::with(sim, Some(bytes.to_vec()))
    }

    fn with(sim: &str, deaf_after: Option<Vec<u8>>) -> Plugged {
        let (from_host, out_direction) = EndpointDirection::host_to_device();
        let (to_host, in_direction) = EndpointDirection::device_to_host();
        let interface = Interface::new(Class::vendor_specific(0, 0), PRODUCT_TEXT);
        let interface = interface.with_endpoint(Endpoint::bulk(out_direction)).with_endpoint(Endpoint::bulk(in_direction));
        let (custom, vendor_function) = Custom::builder().with_interface(interface).build();
        let (serial, serial_function) = Serial::new(SerialClass::Acm);
        let config = Config::new("bridge").with_function(serial_function).with_function(vendor_function);
        let strings = Strings::new("Farrier", PRODUCT_TEXT, SERIAL);
        // The class of a device of several functions: with the vendor class here Linux would not look for a serial port in it.
        let gadget = Gadget::new(Class::MISCELLANEOUS_IAD, Id::new(VENDOR, PRODUCT), strings).with_config(config);
        let registered = gadget.bind(&default_udc().expect("dummy_hcd gives a device controller")).expect("the gadget is bound");

        let served = Served::start(sim);
        let state = State {
            heard: 0.into(),
            deaf_after,
            recent: Mutex::default(),
            deaf: false.into(),
            pulled_out: false.into(),
            spoke_on_serial: false.into(),
        };
        let mut plugged = Plugged { registered: Some(registered), _custom: custom, served, state: Arc::new(state), threads: None };
        plugged.threads = Some(plugged.start_threads(from_host, to_host, &serial));
        // The last that comes of it.
        until(PATIENCE, || Path::new(PORT).exists().then_some(())).expect("the host finds the device");
        // Its files have their owners then.
        udevadm(&["settle", "--timeout=10"]);
        plugged
    }

    fn start_threads(&self, from_host: EndpointReceiver, to_host: EndpointSender, serial: &Serial) -> Threads {
        let tty = serial.tty().expect("the serial function has a port");
        // Raw; a read returns what is there, or nothing after a tenth of a second.
        let raw = Command::new("stty").arg("-F").arg(&tty).args(["raw", "-echo", "min", "0", "time", "1"]).status();
        assert!(raw.expect("stty").success());
        let mut end = File::options();
        let serial_in = end.read(true).open(&tty).expect("the device's end of the serial port");
        let serial_out = end.read(false).write(true).custom_flags(O_NONBLOCK).open(&tty).expect("the device's end of the serial port");
        let (state, to_bridge) = (Arc::clone(&self.state), self.served.stream());
        let usb = thread::spawn(move || carry_usb(from_host, to_bridge, &state));
        let (state, to_bridge) = (Arc::clone(&self.state), self.served.stream());
        let serial = thread::spawn(move || carry_serial(serial_in, to_bridge, &state));
        let (state, from_bridge) = (Arc::clone(&self.state), self.served.stream());
        let answers = thread::spawn(move || carry_answers(from_bridge, to_host, serial_out, &state));
        Threads { usb, serial, answers }
    }

    /// Bytes that the host has sent so far.
    pub fn heard(&self) -> usize {
        self.state.heard.load(Ordering::SeqCst)
    }

    /// Its device file on the host side.
    pub fn usb_file(&self) -> String {
        let devices = fs::read_dir("/sys/bus/usb/devices").expect("sysfs").map(|entry| entry.expect("an entry").path());
        let read = |folder: &Path, name: &str| fs::read_to_string(folder.join(name)).unwrap_or_default().trim().to_owned();
        let ours = devices.into_iter().find(|folder| read(folder, "serial") == SERIAL).expect("it is plugged in");
        format!("/dev/bus/usb/{:0>3}/{:0>3}", read(&ours, "busnum"), read(&ours, "devnum"))
    }

    /// Whether it has heard the bytes after which it is deaf.
    pub fn is_deaf(&self) -> bool {
        self.state.deaf.load(Ordering::SeqCst)
    }
}

impl Drop for Plugged {
    /// Pulls it out: the bridge loses its power, the host its device.
    fn drop(&mut self) {
        self.state.pulled_out.store(true, Ordering::SeqCst);
        self.served.kill();
        // The kernel waits with the unbinding until the serial port's device end is closed, so the threads end first. What is under way at an
        // endpoint ends with the unbinding, so those are closed after it.
        let Threads { usb, serial, answers } = self.threads.take().expect("they run");
        let ends = (serial.join(), usb.join(), answers.join());
        let registered = self.registered.take().expect("it is plugged in");
        registered.bind(None).expect("the gadget is unbound");
        drop(ends);
        registered.remove().expect("the gadget is removed");
        until(PATIENCE, || (!Path::new(PORT).exists()).then_some(())).expect("the host forgets the device");
    }
}

/// From the bulk endpoint to the bridge.
fn carry_usb(mut from_host: EndpointReceiver, mut to_bridge: impl Write, state: &State) -> EndpointReceiver {
    while !state.is_pulled_out() {
        match from_host.recv_timeout(BytesMut::with_capacity(PACKET_BYTES), GLANCE) {
            Ok(Some(bytes)) => drop(to_bridge.write_all(state.hear(&bytes, false))),
            Ok(None) => {}
            // Not configured by the host yet, or no more.
            Err(_) => thread::sleep(GLANCE),
        }
    }
    from_host
}

/// From the serial port to the bridge.
fn carry_serial(mut port: File, mut to_bridge: impl Write, state: &State) {
    let mut bytes = [0; READ_BYTES];
    while !state.is_pulled_out() {
        match port.read(&mut bytes) {
            Ok(0) => {}
            Ok(count) => drop(to_bridge.write_all(state.hear(&bytes[..count], true))),
            Err(_) => thread::sleep(GLANCE),
        }
    }
}

/// From the bridge to the host. Ends when the bridge does.
fn carry_answers(mut from_bridge: impl Read, mut to_host: EndpointSender, mut port: File, state: &State) -> EndpointSender {
    let mut bytes = [0; READ_BYTES];
    while let Ok(count @ 1..) = from_bridge.read(&mut bytes) {
        let answer = &bytes[..count];
        // A host that has gone does not take it.
        let _ = match state.spoke_on_serial.load(Ordering::SeqCst) {
            true => send_serial(&mut port, answer, state),
            false => send_usb(&mut to_host, answer),
        };
    }
    to_host
}

/// Waits for a host that is slow to read, but not once the device is pulled out.
fn send_serial(port: &mut File, mut bytes: &[u8], state: &State) -> io::Result<()> {
    while !bytes.is_empty() && !state.is_pulled_out() {
        match port.write(bytes) {
            Ok(count) => bytes = &bytes[count..],
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => thread::sleep(Duration::from_millis(2)),
            Err(error) => return Err(error),
        }
    }
    Ok(())
}

/// A message that fills its last packet is ended by an empty one: until then the host waits for more.
fn send_usb(to_host: &mut EndpointSender, bytes: &[u8]) -> io::Result<()> {
    to_host.send_timeout(Bytes::copy_from_slice(bytes), GLANCE)?;
    if bytes.len().is_multiple_of(PACKET_BYTES) {
        to_host.send_timeout(Bytes::new(), GLANCE)?;
    }
    Ok(())
}
