//! `--via gpio:NAME`: the GPIO lines that a file describes.

use super::home::Home;
use super::place::is_path;
use super::stop::{Code, Stop};
use crate::bus::Bus;
use crate::link::gpio::{GpioError, GpioFile, open_gpio, read_gpio_file};
use crate::reader::FileError;
use crate::time::HostClock;
use std::fs;
use std::path::{Path, PathBuf};
use std::rc::Rc;

/// What the file of this name or path says.
///
/// # Errors
/// There is no such file, or it has mistakes.
pub fn described(home: &Home, name: &str) -> Result<GpioFile, Stop> {
    Ok(read_gpio_file(&path_of(home, name)?)?)
}

/// Takes the lines of a description, in the host's time.
///
/// # Errors
/// When they cannot be had.
pub fn open(file: &GpioFile) -> Result<Box<dyn Bus>, Stop> {
    Ok(open_gpio(file, Rc::new(HostClock::start()))?)
}

/// The file that a name or a path stands for.
fn path_of(home: &Home, name: &str) -> Result<PathBuf, Stop> {
    if is_path(name) {
        return Ok(PathBuf::from(name));
    }
    let path = home.bridges().join(format!("{name}.toml"));
    if path.is_file() {
        return Ok(path);
    }
    let known = names(home);
    let stop = Stop::usage(format!("there is no file {} that describes GPIO lines", path.display()));
    Err(match known.is_empty() {
        true => stop.hint("Write one, or name one by its path: --via gpio:./FILE.toml. hardware-notes/gpio-bridge.md shows how."),
        false => stop.hint(format!("There are: {}.", known.join(", "))),
    })
}

/// The names of the files in the user's folder, sorted.
pub fn names(home: &Home) -> Vec<String> {
    let entries = fs::read_dir(home.bridges());
    let mut names: Vec<String> = entries.into_iter().flatten().flatten().filter_map(|entry| stem(&entry.path())).collect();
    names.sort();
    names
}

fn stem(path: &Path) -> Option<String> {
    let is_description = path.extension().is_some_and(|extension| extension == "toml");
    path.file_stem()?.to_str().filter(|_| is_description).map(str::to_owned)
}

impl From<FileError> for Stop {
    fn from(error: FileError) -> Stop {
        Stop::usage(error.to_string())
    }
}

impl From<GpioError> for Stop {
    fn from(error: GpioError) -> Stop {
        let stop = Stop::new(Code::NoAnswer, format!("{error}."));
        match error {
            GpioError::NotLinux => stop.hint("Use a bridge at a serial port, USB or the network: `farrier bridges` lists them."),
            GpioError::Chip { chip, .. } => stop
                .hint("Is the path right, and may this user open it? Most systems let a group do so, whose name this shows:")
                .command(format!("ls -l {}", chip.display())),
            GpioError::InUse { .. } => {
                stop.hint("End that program, or take the line from that driver in the computer's own settings; or wire another line.")
            }
            GpioError::NoSuchLine { .. } | GpioError::Lines { .. } => {
                stop.hint("The file names lines by their number on the chip, not by the pin of the computer's connector.")
            }
        }
    }
}
