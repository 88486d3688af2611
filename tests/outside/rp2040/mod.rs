//! The RP2040 bridge: its committed images, and the firmware itself in an emulator that nobody here wrote (rp2040js).

mod board;
mod emulated;
mod images;
mod jobs;
mod usb;

use super::run;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// Where the bridge's flash begins.
const FLASH: u32 = 0x1000_0000;

fn firmware() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("hardware-notes/bridge")
}

/// A committed image.
fn committed(name: &str) -> PathBuf {
    firmware().join("images").join(name)
}

/// The flash from its start, as the committed HEX file has it.
fn flash_image() -> Vec<u8> {
    let bytes = super::loaders::read_hex(&committed("bridge-rp2040.hex"));
    let end = *bytes.keys().last().unwrap() + 1;
    (FLASH..end).map(|at| bytes.get(&at).copied().unwrap_or(0xFF)).collect()
}

/// What the source builds now. Built once in a test run.
fn built() -> &'static Path {
    static BUILT: OnceLock<(PathBuf, File)> = OnceLock::new();
    let (folder, _lock) = BUILT.get_or_init(|| {
        let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("bridge-rp2040");
        fs::create_dir_all(&folder).unwrap();
        // Held until this test program ends, so that another one does not build underneath it.
        let lock = File::create(folder.join("lock")).unwrap();
        lock.lock().unwrap();
        super::program("arm-none-eabi-gcc");
        let mut make = Command::new(super::program("make"));
        run(make.arg("-C").arg(firmware()).arg("rp2040").arg(format!("OUT={}", folder.display())));
        (folder, lock)
    });
    folder
}
