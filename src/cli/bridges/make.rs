//! `farrier bridges make`: the firmware that makes a bridge of a board, and how it gets there.

use super::super::ask;
use super::super::context::Context;
use super::super::output;
use super::super::stop::{Code, Stop};
use super::uf2_drive::{self, Drive};
use crate::board::{BridgeImage, BridgeKind, FirmwareWay, bridge_image, bridge_kind};
use crate::file;
use clap::Args;
use serde_json::json;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Write the firmware that makes a bridge, and say how it gets onto it.
///
/// The images are built into this program. Nothing is overwritten: a file of that name with other contents is left as it is.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier bridges make rp2040\nExample: farrier bridges make atmega328p --to firmware")]
pub struct Make {
    /// The kind of bridge: atmega328p or rp2040.
    pub kind: String,
    /// The folder to write to, or the USB drive that an RP2040 shows; without it, the folder you are in.
    #[arg(long, value_name = "FOLDER")]
    pub to: Option<PathBuf>,
    /// Another of its images, by the name of its file.
    #[arg(long, value_name = "NAME")]
    pub image: Option<String>,
}

/// What became of the image.
enum Done {
    Written(PathBuf),
    /// The same bytes were there.
    AlreadyThere(PathBuf),
    /// Copied to the chip's own USB drive, which starts it.
    OnTheDrive(PathBuf),
}

impl Make {
    /// Writes it and says how to go on.
    ///
    /// # Errors
    /// A kind without such an image, a folder that cannot be written, or another file in the way.
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        let kind = bridge_kind(&self.kind)?;
        if kind.firmware == FirmwareWay::None {
            say_none(context, &kind);
            return Ok(ExitCode::SUCCESS);
        }
        let (image, bytes) = self.chosen(&kind)?;
        let done = match self.drive(context, &kind, image)? {
            Some(drive) => Done::OnTheDrive(drive.copy(&image.file, bytes)?),
            None => write(self.to.as_deref().unwrap_or(Path::new(".")), &image.file, bytes)?,
        };
        match context.global.json {
            true => say_json(&kind, image, bytes, &done),
            false => {
                say(&kind, image, bytes, &done);
                say_configuration(context, &kind)?;
                output::next(next(&kind, &done));
            }
        }
        Ok(ExitCode::SUCCESS)
    }

    /// The image that is asked for, or the kind's first.
    fn chosen<'k>(&self, kind: &'k BridgeKind) -> Result<(&'k BridgeImage, &'static [u8]), Stop> {
        let names = || kind.images.iter().map(|image| image.file.as_str()).collect::<Vec<_>>().join(", ");
        let found = match &self.image {
            Some(name) => kind.images.iter().find(|image| image.file == *name),
            None => kind.images.first(),
        };
        let image = found.ok_or_else(|| Stop::usage(format!("a bridge of the kind {} has these images: {}", kind.kind, names())))?;
        let bytes = bridge_image(&image.file).ok_or_else(|| {
            Stop::usage(format!("{} is not built into this program", image.file))
                .hint("hardware-notes/bridge in its sources says how the images are made.")
        })?;
        Ok((image, bytes))
    }

    /// The chip's own USB drive to copy to: the folder that was named, or one that is plugged in, if that is wanted.
    fn drive(&self, context: &Context, kind: &BridgeKind, image: &BridgeImage) -> Result<Option<Drive>, Stop> {
        let Some(wanted) = &kind.drive_id else { return self.no_drive() };
        if !image.file.ends_with(".uf2") {
            return self.no_drive();
        }
        if let Some(folder) = &self.to {
            let Some(drive) = Drive::at(folder) else { return Ok(None) };
            return match drive.id == *wanted {
                true => Ok(Some(drive)),
                false => Err(refused(format!("{} is the drive of another chip: {}, not {wanted}", folder.display(), drive.id))),
            };
        }
        let mut plugged = uf2_drive::mounted().into_iter().filter(|drive| drive.id == *wanted);
        let Some(drive) = plugged.next() else { return Ok(None) };
        if plugged.next().is_some() {
            output::remark("More than one such USB drive is plugged in; name the one that is meant with --to.");
            return Ok(None);
        }
        let question =
            format!("The USB drive of an {} is at {}. Copy the firmware to it? (y, Enter means no)", kind.part, drive.at.display());
        let yes = context.global.yes || (ask::somebody_there() && ask::agreed(&question, "y")?);
        if !yes {
            output::remark(&format!("The USB drive of an {} is at {}; name it with --to to copy there.", kind.part, drive.at.display()));
        }
        Ok(yes.then_some(drive))
    }

    /// A drive that takes firmware must not get a file that is not meant for it.
    fn no_drive(&self) -> Result<Option<Drive>, Stop> {
        match self.to.as_deref().and_then(Drive::at) {
            Some(drive) => Err(refused(format!("{} is the drive of a chip that takes UF2 files, and this is none", drive.at.display()))),
            None => Ok(None),
        }
    }
}

fn refused(what: String) -> Stop {
    Stop::new(Code::Refused, what).hint("Nothing was written.")
}

/// Writes the image, unless it is there already; never over another file.
fn write(folder: &Path, name: &str, bytes: &[u8]) -> Result<Done, Stop> {
    let path = folder.join(name);
    match fs::read(&path) {
        Ok(there) if there == bytes => return Ok(Done::AlreadyThere(path)),
        Ok(_) => return Err(refused(format!("{} is there already, with other contents", path.display())).hint("Move it, or give --to.")),
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(error) => return Err(cannot(&path, &error)),
    }
    file::write_new(&path, bytes).map_err(|error| cannot(&path, &error))?;
    Ok(Done::Written(path))
}

fn cannot(path: &Path, why: &io::Error) -> Stop {
    Stop::usage(format!("{} cannot be written: {why}", path.display())).hint("Name a folder that is there: --to FOLDER")
}

fn say_none(context: &Context, kind: &BridgeKind) {
    if context.global.json {
        return output::json(&json!({ "kind": kind.kind, "state": "not-needed", "how": kind.firmware_words }));
    }
    output::say(&kind.firmware_words);
    output::next(format!("farrier connections --bridge {}", kind.kind));
}

fn say(kind: &BridgeKind, image: &BridgeImage, bytes: &[u8], done: &Done) {
    output::say_under("Image    ", format!("{}, {} bytes: {}", image.file, bytes.len(), image.words));
    match done {
        Done::Written(path) => output::say_under("Written  ", path.display().to_string()),
        Done::AlreadyThere(path) => output::say_under("There    ", format!("{}, the same already; nothing was written", path.display())),
        Done::OnTheDrive(path) => {
            output::say_under("Copied   ", format!("{}; the drive goes by itself when the bridge starts", path.display()));
        }
    }
    for other in kind.images.iter().filter(|other| other.file != image.file && bridge_image(&other.file).is_some()) {
        output::say_under("Also     ", format!("{}: {} (--image {})", other.file, other.words, other.file));
    }
    if !matches!(done, Done::OnTheDrive(_)) {
        output::say_under("How      ", how(kind));
    }
}

/// What a bridge that is written through its programming header needs besides.
fn say_configuration(context: &Context, kind: &BridgeKind) -> Result<(), Stop> {
    if kind.firmware != FirmwareWay::ProgrammingHeader {
        return Ok(());
    }
    let name = board_of(kind);
    let board = context.catalog.board(&name)?.0;
    let fields = board.expected_configuration.iter().map(|(field, value)| format!(" {field}={value}"));
    output::gap();
    output::say("A bare chip, or a board that starts a loader of its maker's after reset, needs its configuration too, after the write:");
    output::line(format!("farrier configure{} --board {name} --via WHERE", fields.collect::<String>()));
    Ok(())
}

/// How the firmware gets onto the bridge.
fn how(kind: &BridgeKind) -> String {
    match kind.firmware {
        FirmwareWay::ProgrammingHeader => format!("{} With a bridge that works, the command at the end writes it.", kind.firmware_words),
        FirmwareWay::UsbDrive => {
            format!("{} Farrier does it, if you run this again while the drive is there; or copy the file yourself.", kind.firmware_words)
        }
        FirmwareWay::None => kind.firmware_words.clone(),
    }
}

/// The board file that describes a bridge of this kind as a board.
fn board_of(kind: &BridgeKind) -> String {
    format!("bridge-{}", kind.kind)
}

fn next(kind: &BridgeKind, done: &Done) -> String {
    match (kind.firmware, done) {
        (FirmwareWay::ProgrammingHeader, Done::Written(path) | Done::AlreadyThere(path) | Done::OnTheDrive(path)) => {
            format!("farrier write {} --board {} --via WHERE", path.display(), board_of(kind))
        }
        (FirmwareWay::UsbDrive, Done::Written(_) | Done::AlreadyThere(_)) => format!("farrier bridges make {}", kind.kind),
        _ => "farrier bridges".to_owned(),
    }
}

fn say_json(kind: &BridgeKind, image: &BridgeImage, bytes: &[u8], done: &Done) {
    let (state, path) = match done {
        Done::Written(path) => ("written", path),
        Done::AlreadyThere(path) => ("already-there", path),
        Done::OnTheDrive(path) => ("on-the-drive", path),
    };
    output::json(&json!({
        "kind": kind.kind, "image": image.file, "bytes": bytes.len(), "state": state, "path": path,
        "how": how(kind), "next": next(kind, done),
    }));
}
