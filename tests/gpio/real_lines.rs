//! Lines of a GPIO chip that the kernel itself simulates (its module gpio-sim), in the virtual machine that `tests/guest/gpio` boots. What reaches
//! the lines goes through gpiocdev, the GPIO character device and the kernel's own line handling; behind them the sim's board is stepped.

use super::fake::description;
use crate::cli::Home;
use crate::job::workbench::{Command, Workbench, install};
use farrier::link::gpio::{BitBang, GpioError, GpioFile, GpioLines, Pin, Pins};
use farrier::link::{DirectBus, Hands};
use farrier::sim::BoardPins;
use farrier::time::{HostClock, SharedClock};
use std::fs::{self, File};
use std::io;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::time::Instant;

const CONFIG: &str = "/sys/kernel/config/gpio-sim";

/// A chip of 16 lines, gone when this is dropped.
struct Chip {
    folder: PathBuf,
    /// A folder for each line, named `sim_gpioN`.
    lines: PathBuf,
    device: PathBuf,
}

impl Chip {
    fn new(name: &str) -> Chip {
        let folder = Path::new(CONFIG).join(name);
        let bank = folder.join("bank");
        fs::create_dir_all(&bank).expect("gpio-sim is in the kernel");
        fs::write(bank.join("num_lines"), "16").expect("its lines");
        fs::write(folder.join("live"), "1").expect("it comes to life");
        let told = |path: PathBuf| fs::read_to_string(path).expect("a name").trim().to_owned();
        let (device, chip) = (told(folder.join("dev_name")), told(bank.join("chip_name")));
        Chip { lines: Path::new("/sys/devices/platform").join(device).join(&chip), device: Path::new("/dev").join(chip), folder }
    }

    fn description(&self) -> GpioFile {
        GpioFile { chip: self.device.clone(), ..description() }
    }

    fn open(&self, pin: Pin, what: &str, write: bool) -> File {
        let line = self.description().lines.of(pin);
        let path = self.lines.join(format!("sim_gpio{line}")).join(what);
        File::options().read(!write).write(write).open(&path).unwrap_or_else(|why| panic!("{}: {why}", path.display()))
    }

    fn pull(&self, pin: Pin, up: bool) {
        pull(&self.open(pin, "pull", true), up);
    }

    /// Whether each pin is an output, as the kernel says.
    fn outputs(&self) -> [bool; 4] {
        let chip = gpiocdev::Chip::from_path(&self.device).expect("the chip");
        let lines = self.description().lines;
        Pin::ALL.map(|pin| chip.line_info(lines.of(pin)).expect("the line").direction == gpiocdev::line::Direction::Output)
    }
}

impl Drop for Chip {
    fn drop(&mut self) {
        let _ = fs::write(self.folder.join("live"), "0");
        let _ = fs::remove_dir(self.folder.join("bank"));
        let _ = fs::remove_dir(&self.folder);
    }
}

fn pull(file: &File, up: bool) {
    let word: &[u8] = if up { b"pull-up" } else { b"pull-down" };
    file.write_all_at(word, 0).expect("a pull");
}

/// Real lines, and the board that sees them: after each call that may have changed one, it reads what the kernel says of the levels.
struct Watched {
    lines: GpioLines,
    levels: [File; 3],
    miso: File,
    miso_level: bool,
    board: BoardPins,
    clock: SharedClock,
}

impl Watched {
    fn new(chip: &Chip, board: BoardPins, clock: SharedClock) -> Watched {
        chip.pull(Pin::Reset, true);
        let lines = GpioLines::open(&chip.description()).expect("the lines are free");
        let levels = [Pin::Reset, Pin::Sck, Pin::Mosi].map(|pin| chip.open(pin, "value", false));
        let miso = chip.open(Pin::Miso, "pull", true);
        pull(&miso, true);
        Watched { lines, levels, miso, miso_level: true, board, clock }
    }

    fn step(&mut self) -> io::Result<()> {
        let mut seen = [false; 3];
        for (file, high) in self.levels.iter().zip(&mut seen) {
            let mut byte = [0];
            file.read_exact_at(&mut byte, 0)?;
            *high = byte == *b"1";
        }
        let [reset, sck, mosi] = seen;
        let miso = self.board.step(self.clock.now(), reset, sck, mosi);
        if std::mem::replace(&mut self.miso_level, miso) != miso {
            pull(&self.miso, miso);
        }
        Ok(())
    }
}

impl Pins for Watched {
    fn drive(&mut self, pin: Pin, high: bool) -> io::Result<()> {
        self.lines.drive(pin, high)?;
        self.step()
    }

    fn release(&mut self, pin: Pin) -> io::Result<()> {
        self.lines.release(pin)?;
        self.step()
    }

    fn put(&mut self, sck: bool, mosi: bool) -> io::Result<()> {
        self.lines.put(sck, mosi)?;
        self.step()
    }

    fn read(&mut self, pin: Pin) -> io::Result<bool> {
        self.lines.read(pin)
    }
}

#[test]
#[ignore = "needs the kernel's simulated GPIO chip: tests/guest/gpio"]
fn a_loader_is_installed_over_lines_of_the_kernel() {
    let chip = Chip::new("install");
    let mut bench = Workbench::new("frost", 5);
    let clock: SharedClock = Rc::new(HostClock::start());
    let watched = Watched::new(&chip, bench.sim.pins(), clock.clone());
    let hands = BitBang::new(watched, &chip.description(), clock.clone()).expect("the lines");
    let abilities = hands.abilities().clone();
    println!("        SPI clock up to {}", abilities.spi_clock_max);
    let mut bus = DirectBus::new(hands, abilities, clock);
    let intent = install(&bench.board);
    let started = Instant::now();
    bench.run_on(&mut bus, &Command::of(&intent), &mut |_| {}).unwrap_or_else(|why| panic!("{why}"));
    println!("        installed in {:.1} s", started.elapsed().as_secs_f64());
    drop(bus);
    assert_eq!(chip.outputs(), [false; 4], "a line is left driven");
    let mut bytes = Workbench::new("frost", 5);
    bytes.run(&Command::of(&intent)).expect("by bytes");
    assert!(bench.sim.contents() == bytes.sim.contents(), "the board is not as by the sim's own bridge");
    assert_eq!(bench.sim.violations().count, 0, "{:?}", bench.sim.violations());
}

#[test]
#[ignore = "needs the kernel's simulated GPIO chip: tests/guest/gpio"]
fn lines_in_use_are_named_with_their_user() {
    let chip = Chip::new("in-use");
    let file = chip.description();
    let taken = gpiocdev::Request::builder().on_chip(&chip.device).with_consumer("fan speed").with_line(file.lines.mosi).request();
    let taken = taken.expect("it is free");
    let words = |error: &GpioError| error.to_string();
    let error = GpioLines::open(&file).err().expect("in use");
    assert_eq!(words(&error), format!("line {} of {}, for MOSI, is in use by \"fan speed\"", file.lines.mosi, chip.device.display()));
    drop(taken);
    let held = GpioLines::open(&file).expect("free again");
    let error = GpioLines::open(&file).err().expect("held by this process");
    assert!(words(&error).ends_with("for SCK, is in use by \"farrier\""), "{error}");
    drop(held);
    let mut far = file;
    far.lines.reset = 16;
    let error = GpioLines::open(&far).err().expect("no such line");
    assert!(words(&error).ends_with("has 16 lines, counted from 0; there is no line 16 for RESET"), "{error}");
}

/// A process that is killed leaves the lines as the GPIO driver likes; whoever takes them next lets go of them.
#[test]
#[ignore = "needs the kernel's simulated GPIO chip: tests/guest/gpio"]
fn lines_that_were_left_driven_are_let_go() {
    let chip = Chip::new("left");
    let lines = chip.description().lines;
    let left =
        gpiocdev::Request::builder().on_chip(&chip.device).with_line(lines.reset).as_output(gpiocdev::line::Value::Inactive).request();
    drop(left.expect("it is free"));
    println!("        outputs before: {:?}", chip.outputs());
    let taken = GpioLines::open(&chip.description()).expect("free");
    assert_eq!(chip.outputs(), [false; 4]);
    drop(taken);
    assert_eq!(chip.outputs(), [false; 4]);
}

/// The program itself: nothing answers at these lines, and a second program is told who has them.
#[test]
#[ignore = "needs the kernel's simulated GPIO chip: tests/guest/gpio"]
fn the_program_reaches_the_lines_and_lets_them_go() {
    let chip = Chip::new("program");
    chip.pull(Pin::Reset, true);
    let home = Home::new();
    let numbers = "[lines]\nsck = 12\nmosi = 13\nmiso = 14\nreset = 15\n";
    let text = format!("summary = \"simulated\"\nchip = \"{}\"\npin_level_mv = 3_300\n{numbers}", chip.device.display());
    fs::create_dir_all(home.path().join("bridges")).expect("a folder");
    fs::write(home.path().join("bridges/bench.toml"), text).expect("a file");
    home.run("bridges --ask gpio:bench").exits(0).says("free to use: SPI clock 100 Hz to ");
    assert_eq!(chip.outputs(), [false; 4], "asking drove a line");
    let ran = home.run("inspect --via gpio:bench --board frost");
    println!("{}", ran.err);
    ran.exits(4).says("the chip did not answer").says("MISO stayed high for the whole time");
    assert_eq!(chip.outputs(), [false; 4], "a line is left driven");

    let held = GpioLines::open(&chip.description()).expect("free again");
    home.run("inspect --via gpio:bench --board frost").exits(4).says("for SCK, is in use by \"farrier\"");
    drop(held);
}
