//! What the bridge tells about itself over USB, to a host that enumerates it as an operating system does.

use super::emulated::{Emulated, Pipe};
use serde_json::Value;

/// The descriptors of a configuration, one after another.
fn parts(configuration: &[u8]) -> Vec<&[u8]> {
    let mut parts = Vec::new();
    let mut rest = configuration;
    while let Some(&size) = rest.first() {
        assert!((2..=rest.len()).contains(&usize::from(size)), "a descriptor of {size} bytes with {} left", rest.len());
        let (part, after) = rest.split_at(usize::from(size));
        parts.push(part);
        rest = after;
    }
    parts
}

fn bytes(value: &Value) -> Vec<u8> {
    value.as_array().unwrap().iter().map(|byte| u8::try_from(byte.as_u64().unwrap()).unwrap()).collect()
}

#[test]
fn it_is_a_serial_port_and_a_vendor_interface_under_one_name() {
    let told = Emulated::start(Pipe::Serial).usb_descriptors();
    let device = bytes(&told["device"]);
    assert_eq!(device[4..7], [0xEF, 2, 1], "several functions, told apart by associations");
    assert_eq!(device[8..12], [0x09, 0x12, 0x01, 0x00], "1209:0001");
    assert_eq!(told["texts"][device[15].to_string()], "Farrier bridge");
    assert_eq!(told["texts"][device[16].to_string()], "D6500F8C1E2A4B97", "the flash chip's number, as the emulated one has it");
    let configuration = bytes(&told["configuration"]);
    let parts = parts(&configuration);
    let interfaces: Vec<_> = parts.iter().filter(|part| part[1] == 4).map(|part| (part[2], part[4], [part[5], part[6], part[7]])).collect();
    assert_eq!(interfaces, [(0, 1, [2, 2, 0]), (1, 2, [10, 0, 0]), (2, 2, [0xFF, 0, 0])]);
    let association = parts.iter().find(|part| part[1] == 11).unwrap();
    assert_eq!(association[2..7], [0, 2, 2, 2, 0], "interfaces 0 and 1 are one serial port");
    let mut endpoints: Vec<_> = parts.iter().filter(|part| part[1] == 5).map(|part| part[2]).collect();
    assert!(parts.iter().filter(|part| part[1] == 5 && part[3] == 2).all(|part| part[4..6] == [64, 0]), "bulk packets of 64 bytes");
    endpoints.sort_unstable();
    endpoints.dedup();
    assert_eq!(endpoints.len(), 5, "no endpoint is used twice");
}

#[test]
fn control_requests_are_answered_as_the_standard_says() {
    let told = Emulated::start(Pipe::Serial).usb_descriptors();
    assert_eq!(told["address"], 7, "the address that the host gave");
    assert_eq!(told["chosen"], 1, "the configuration that the host chose");
    assert_eq!(told["qualifier"], "stalled", "a device that knows full speed only has no qualifier");
    assert_eq!(told["coding"], told["codingBack"], "the line coding is kept");
}
