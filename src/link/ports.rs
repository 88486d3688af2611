//! The serial ports of this computer, without opening them.

use super::usb::is_ours;
use serialport::SerialPortType;
use std::path::{Path, PathBuf};

/// A serial port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SerialPortFound {
    pub path: String,
    /// What the USB device behind it says of itself.
    pub usb: Option<SerialUsb>,
}

/// The USB device that a serial port is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SerialUsb {
    pub vendor: u16,
    pub product: u16,
    pub serial_number: Option<String>,
    pub product_text: Option<String>,
    /// Where it is plugged in, such as `1-2.3`; as far as the system tells.
    pub path: Option<String>,
}

impl SerialUsb {
    /// Whether it has the ids and the product text of our firmware.
    #[must_use]
    pub fn is_ours(&self) -> bool {
        is_ours(self.vendor, self.product, self.product_text.as_deref())
    }
}

/// The serial ports that the system lists, sorted. Pseudo-terminals are not among them.
#[must_use]
pub fn serial_ports() -> Vec<SerialPortFound> {
    // Where this folder is missing the library panics.
    if cfg!(target_os = "linux") && !Path::new("/sys/class/tty").is_dir() {
        return Vec::new();
    }
    let listed = serialport::available_ports().unwrap_or_default();
    let mut ports: Vec<SerialPortFound> = listed
        .into_iter()
        .map(|port| {
            let usb = match port.port_type {
                SerialPortType::UsbPort(usb) => Some(SerialUsb {
                    vendor: usb.vid,
                    product: usb.pid,
                    serial_number: usb.serial_number,
                    product_text: usb.product,
                    path: usb_folder(Path::new(&port.port_name)).and_then(|folder| Some(folder.file_name()?.to_str()?.to_owned())),
                }),
                _ => None,
            };
            SerialPortFound { path: port.port_name, usb }
        })
        .collect();
    ports.sort_by(|a, b| a.path.cmp(&b.path));
    ports
}

/// Where the bridge with our firmware that a serial port belongs to is plugged in, such as `1-2.3`: it may be reached by another way too.
#[must_use]
pub fn own_usb_path(port: &Path) -> Option<String> {
    let folder = usb_folder(port)?;
    let read = |name: &str| std::fs::read_to_string(folder.join(name)).ok().map(|text| text.trim().to_owned());
    let id = |name: &str| read(name).and_then(|text| u16::from_str_radix(&text, 16).ok());
    let ours = is_ours(id("idVendor")?, id("idProduct")?, read("product").as_deref());
    ours.then(|| folder.file_name()?.to_str().map(str::to_owned)).flatten()
}

/// The folder that Linux has for the USB device behind a serial port: the first above the port's own that has ids.
fn usb_folder(port: &Path) -> Option<PathBuf> {
    let port = port.canonicalize().ok()?;
    let device = Path::new("/sys/class/tty").join(port.file_name()?).join("device").canonicalize().ok()?;
    device.ancestors().find(|folder| folder.join("idVendor").is_file()).map(Path::to_path_buf)
}
