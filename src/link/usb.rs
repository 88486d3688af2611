//! A bridge with its own USB: a vendor-class interface with a bulk endpoint each way, found from the descriptors of the active
//! configuration. libusb is only asked when a USB device is meant.

use super::open::{OpenError, gone, stuck};
use super::{Wire, device_file};
use crate::time::{Clock, HostClock, Moment, SharedClock};
use rusb::{ConfigDescriptor, Context, Device, DeviceHandle, Direction, Error, InterfaceDescriptor, TransferType, UsbContext};
use std::io;
use std::path::PathBuf;
use std::rc::Rc;
use std::time::Duration;

/// The ids of our firmware: 0x1209:0x0001 is published for tests of devices that do not leave their workshop, and stands for nobody, so
/// the product text counts too.
pub const VENDOR: u16 = 0x1209;
pub const PRODUCT: u16 = 0x0001;
pub const PRODUCT_TEXT: &str = "Farrier bridge";

/// A class of the device maker's own (USB 2.0, section 9.6.5).
const VENDOR_CLASS: u8 = 0xFF;

/// Room for many packets: a read ends at the first packet that is not full, or when this is.
const READ_BYTES: usize = 4096;

/// How long a device may take no byte.
const WRITE_WITHIN: Duration = Duration::from_secs(5);

/// libusb takes less for 'for ever'.
const WAIT_LEAST: Duration = Duration::from_millis(1);

/// About what bulk transfers at full speed carry (from memory).
const BYTES_PER_SECOND: u32 = 1_000_000;

/// A USB device, as the system lists it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UsbDevice {
    /// The bus and the ports that it is plugged in at, such as `1-2.3`.
    pub path: String,
    pub vendor: u16,
    pub product: u16,
    pub serial_number: Option<String>,
    pub product_text: Option<String>,
    pub device_file: PathBuf,
}

impl UsbDevice {
    /// Whether it has the ids and the product text of our firmware.
    #[must_use]
    pub fn is_ours(&self) -> bool {
        is_ours(self.vendor, self.product, self.product_text.as_deref())
    }
}

pub(super) fn is_ours(vendor: u16, product: u16, text: Option<&str>) -> bool {
    (vendor, product) == (VENDOR, PRODUCT) && text == Some(PRODUCT_TEXT)
}

/// Where the bytes go.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Endpoints {
    interface: u8,
    setting: u8,
    out: u8,
    back: u8,
}

/// A claimed interface of a USB device.
pub struct UsbWire {
    handle: DeviceHandle<Context>,
    endpoints: Endpoints,
    place: String,
    clock: Rc<HostClock>,
}

/// The devices that have an interface as a bridge has.
///
/// # Errors
/// When the system does not list USB devices.
pub fn usb_devices() -> Result<Vec<UsbDevice>, OpenError> {
    Ok(candidates()?.into_iter().map(|(listed, _, _)| listed).collect())
}

fn candidates() -> Result<Vec<(UsbDevice, Device<Context>, Endpoints)>, OpenError> {
    let failed = |error: Error| OpenError::Io { place: "the system's list of USB devices".into(), source: io::Error::other(error) };
    let devices = Context::new().and_then(|context| context.devices()).map_err(failed)?;
    let suitable = |device: Device<Context>| {
        let endpoints = find_endpoints(&device.active_config_descriptor().ok()?)?;
        Some((listed(&device)?, device, endpoints))
    };
    let mut found: Vec<_> = devices.iter().filter_map(suitable).collect();
    found.sort_by(|(a, ..), (b, ..)| a.path.cmp(&b.path));
    Ok(found)
}

fn listed(device: &Device<Context>) -> Option<UsbDevice> {
    let descriptor = device.device_descriptor().ok()?;
    let ports: Vec<String> = device.port_numbers().ok()?.iter().map(u8::to_string).collect();
    let path = format!("{}-{}", device.bus_number(), ports.join("."));
    let (vendor, product) = (descriptor.vendor_id(), descriptor.product_id());
    let (serial_number, product_text) = texts(device, &path, (vendor, product) == (VENDOR, PRODUCT));
    let device_file = format!("/dev/bus/usb/{:03}/{:03}", device.bus_number(), device.address()).into();
    Some(UsbDevice { path, vendor, product, serial_number, product_text, device_file })
}

/// Serial number and product text. Linux has read them when the device was plugged in; elsewhere a device must be opened to tell,
/// which is done only where its ids are those of our firmware.
fn texts(device: &Device<Context>, path: &str, ours: bool) -> (Option<String>, Option<String>) {
    if cfg!(target_os = "linux") {
        let read = |name: &str| {
            let text = std::fs::read_to_string(format!("/sys/bus/usb/devices/{path}/{name}")).ok()?;
            Some(text.trim().to_owned()).filter(|text| !text.is_empty())
        };
        return (read("serial"), read("product"));
    }
    let opened = if ours { device.open().ok().zip(device.device_descriptor().ok()) } else { None };
    opened.map_or((None, None), |(handle, descriptor)| {
        (handle.read_serial_number_string_ascii(&descriptor).ok(), handle.read_product_string_ascii(&descriptor).ok())
    })
}

/// The first interface of the vendor class whose endpoints are one of bulk each way.
fn find_endpoints(configuration: &ConfigDescriptor) -> Option<Endpoints> {
    configuration.interfaces().flat_map(|interface| interface.descriptors()).find_map(|setting| endpoints_of(&setting))
}

fn endpoints_of(setting: &InterfaceDescriptor<'_>) -> Option<Endpoints> {
    let bulk = |direction| {
        let endpoints = setting.endpoint_descriptors();
        let mut addresses =
            endpoints.filter(|endpoint| endpoint.transfer_type() == TransferType::Bulk && endpoint.direction() == direction);
        addresses.next().map(|endpoint| endpoint.address())
    };
    let suits = setting.class_code() == VENDOR_CLASS && setting.num_endpoints() == 2;
    let (out, back) = (bulk(Direction::Out)?, bulk(Direction::In)?);
    suits.then_some(Endpoints { interface: setting.interface_number(), setting: setting.setting_number(), out, back })
}

impl UsbWire {
    /// Opens the device with this serial number or at this path, or the only one with the ids of our firmware.
    ///
    /// # Errors
    /// No such device, several, no permission, or in use by another program.
    pub fn open(named: Option<&str>) -> Result<UsbWire, OpenError> {
        let place = named.map_or_else(|| "usb".to_owned(), |name| format!("usb:{name}"));
        let (listed, device, endpoints) = the_one(named, &place)?;
        let handle = claim(&device, endpoints).map_err(|error| why_not(&place, &listed, error))?;
        Ok(UsbWire { handle, endpoints, place, clock: Rc::new(HostClock::start()) })
    }
}

/// The device that a name stands for.
///
/// # Errors
/// None, or several.
pub fn usb_device(named: Option<&str>) -> Result<UsbDevice, OpenError> {
    let place = named.map_or_else(|| "usb".to_owned(), |name| format!("usb:{name}"));
    the_one(named, &place).map(|(listed, _, _)| listed)
}

fn the_one(named: Option<&str>, place: &str) -> Result<(UsbDevice, Device<Context>, Endpoints), OpenError> {
    let meant = |listed: &UsbDevice| match named {
        None => listed.is_ours(),
        Some(name) => listed.path == name || listed.serial_number.as_deref() == Some(name),
    };
    let mut found = candidates()?;
    found.retain(|(listed, ..)| meant(listed));
    if found.len() > 1 {
        let places: Vec<String> = found.iter().map(|(listed, ..)| format!("usb:{}", listed.path)).collect();
        let why = format!("several devices are meant by it; name one by where it is plugged in: {}", places.join(", "));
        return Err(OpenError::Unsuitable { place: place.into(), why });
    }
    found.pop().ok_or_else(|| OpenError::NotThere { place: format!("USB device that {place} stands for") })
}

fn claim(device: &Device<Context>, endpoints: Endpoints) -> rusb::Result<DeviceHandle<Context>> {
    let handle = device.open()?;
    handle.claim_interface(endpoints.interface)?;
    if endpoints.setting != 0 {
        handle.set_alternate_setting(endpoints.interface, endpoints.setting)?;
    }
    Ok(handle)
}

fn why_not(place: &str, listed: &UsbDevice, error: Error) -> OpenError {
    let place = place.to_owned();
    match error {
        Error::Access => OpenError::NotAllowed { place, remedy: device_file::remedy(&listed.device_file) },
        Error::NoDevice | Error::NotFound => OpenError::NotThere { place: format!("USB device that {place} stands for") },
        Error::Busy => {
            let holders = device_file::holders(&listed.device_file);
            let holder = if holders.is_empty() { "another program, or a driver of the system".into() } else { holders.join(", ") };
            OpenError::InUse { place, holder }
        }
        other => OpenError::Io { place, source: io::Error::other(other) },
    }
}

impl Wire for UsbWire {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut left = bytes;
        while !left.is_empty() {
            match self.handle.write_bulk(self.endpoints.out, left, WRITE_WITHIN) {
                Ok(0) | Err(Error::Timeout) => return Err(stuck(&self.place)),
                Ok(written) => left = left.get(written..).unwrap_or_default(),
                Err(Error::Interrupted) => {}
                Err(error) => return Err(gone(&self.place, &io::Error::other(error))),
            }
        }
        Ok(())
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        let mut buffer = [0; READ_BYTES];
        loop {
            let left = deadline.since(self.clock.now());
            match self.handle.read_bulk(self.endpoints.back, &mut buffer, left.max(WAIT_LEAST)) {
                // A packet without bytes only ends a transfer.
                Ok(0) | Err(Error::Timeout | Error::Interrupted) if left.is_zero() => return Ok(()),
                Ok(0) | Err(Error::Timeout | Error::Interrupted) => {}
                Ok(count) => {
                    into.extend(buffer.iter().take(count));
                    return Ok(());
                }
                Err(error) => return Err(gone(&self.place, &io::Error::other(error))),
            }
        }
    }

    fn clock(&self) -> SharedClock {
        self.clock.clone()
    }

    fn bytes_per_second(&self) -> u32 {
        BYTES_PER_SECOND
    }
}
