//! From `--via` to a bridge and the board behind it.

use super::ask;
use super::bridges;
use super::context::{CHOSEN, Context, Given};
use super::folder::NAME;
use super::gpio;
use super::interrupt;
use super::levels;
use super::output;
use super::place::{Place, SPEEDS};
use super::progress::Progress;
use super::stop::{Code, Stop};
use super::typed::command_again;
use crate::algorithm::avr_spi::Wiring;
use crate::board::{Board, Chip, Stated, demo_names, generic_board, refused_chips};
use crate::bus::{Bus, BusError};
use crate::job::{Bench, JobError, go_on};
use crate::link::{Client, OpenError, SerialServerWire, SerialWire, SpeedWire, TcpWire, UsbWire, Waiting, usb_device};
use crate::lock::{Lock, LockError};
use crate::plan::Observed;
use crate::record::{End, Held, Job, JobId, JobRecord, Journal};
use crate::sim::{OpenSim, Store};
use crate::units::Hex;
use std::path::PathBuf;
use std::time::Duration;

/// The seed of a sim that is made at first use.
const FIRST_SEED: u64 = 1;

/// How long a bridge may be silent before that is worth a sentence.
const WORTH_SAYING: Duration = Duration::from_millis(700);

/// A bridge that answers, and the description of the board behind it.
pub struct Connected {
    pub bus: Box<dyn Bus>,
    pub board: Board,
    pub chip: Chip,
    /// As `--via` has it.
    pub via: String,
    /// Where the board's description comes from, in words.
    pub board_from: &'static str,
    /// What the link between host and bridge carries in a second.
    pub bytes_per_second: u32,
    hold: Hold,
}

/// What keeps the bridge for this process; it ends after the bus.
enum Hold {
    /// Saves the sim when dropped.
    Sim(Box<OpenSim>),
    Port(#[expect(dead_code, reason = "held, not read")] Lock),
}

/// A bridge that answers.
struct Bridge {
    bus: Box<dyn Bus>,
    /// What the link carries in a second.
    bytes_per_second: u32,
    hold: Hold,
}

impl Bridge {
    fn of(client: Client, hold: Hold) -> Bridge {
        Bridge { bytes_per_second: client.bytes_per_second(), bus: Box::new(client), hold }
    }
}

impl Connected {
    /// SIMULATED: no hardware is at the other end.
    pub fn simulated(&self) -> bool {
        self.bus.abilities().simulated
    }

    /// Reads all that the board holds and lets it go.
    ///
    /// # Errors
    /// When the chip does not answer, or the work is interrupted.
    pub fn observe(&mut self) -> Result<Observed, Stop> {
        self.with_bench(|bench| bench.observe())
    }

    /// The same, after a look at supply and lines. Where those show that it makes no sense, the chip is not tried.
    ///
    /// # Errors
    /// As [`Connected::observe`], and what supply and lines show.
    pub fn measure_and_observe(&mut self) -> Result<(Wiring, Observed), Stop> {
        self.with_bench(|bench| Ok((bench.measure()?, bench.observe()?)))
    }

    fn with_bench<T>(&mut self, work: impl FnOnce(&mut Bench) -> Result<T, JobError>) -> Result<T, Stop> {
        let mut progress = Progress::new();
        let mut listener = |event: &_| progress.show(event);
        let mut bench = Bench::new(self.bus.as_mut(), &self.board, &self.chip, &mut listener, interrupt::flag()?);
        let result = work(&mut bench).and_then(|result| bench.release().map(|()| result));
        drop(bench);
        progress.clear();
        Ok(result?)
    }

    /// Saves what the silicon of a sim holds.
    ///
    /// # Errors
    /// The disk's.
    pub fn close(self) -> Result<(), Stop> {
        drop(self.bus);
        match self.hold {
            Hold::Sim(sim) => Ok(sim.sync()?),
            Hold::Port(_) => Ok(()),
        }
    }
}

impl Context {
    /// The simulated boards.
    pub fn sims(&self) -> Store {
        Store::open(self.home.sims(), self.catalog.clone())
    }

    /// Opens the bridge that `--via` names, or lets one be chosen. A demo board's sim is made at first use.
    ///
    /// # Errors
    /// No such bridge, another process holds it, or it does not answer.
    pub fn connect(&self) -> Result<Connected, Stop> {
        let place = self.place()?;
        // What can be wrong or must be asked without the bridge comes before it is opened, which resets some.
        let named = match (self.given_board()?, &place) {
            // A sim knows its board, so that of a folder stands only for the folder's own bridge, and that of a snapshot for none.
            (Some(_), Place::Sim(_)) if self.global.board.is_none() && (self.global.via.is_some() || self.folder.board.is_none()) => None,
            (Some(given), _) => Some(given),
            (None, Place::Sim(_)) => None,
            (None, _) => Some((self.chosen_board()?, CHOSEN)),
        };
        self.connect_to(&place, named)
    }

    /// Opens the bridge at `place`; what is behind it is `named`, or what a sim says of itself.
    fn connect_to(&self, place: &Place, named: Option<Given>) -> Result<Connected, Stop> {
        let Bridge { mut bus, bytes_per_second, hold } = match place {
            Place::Sim(name) => self.sim_bridge(name)?,
            Place::Gpio(name) => self.gpio_bridge(place, name)?,
            _ => self.real_bridge(place)?,
        };
        let ((mut board, chip), board_from) = match (named, &hold) {
            (Some(named), _) => named,
            (None, Hold::Sim(sim)) if sim.carries_its_board() => (sim.described(), "carried by the file"),
            (None, Hold::Sim(sim)) => (sim.described(), "named by the sim"),
            (None, Hold::Port(_)) => return Err(Stop::usage("which board it is is not known").hint("Give --board NAME.")),
        };
        board.clock_pin_wired |= self.global.clock_output;
        board.levels_shifted |= self.global.levels_shifted;
        let board = levels::fit(self, bus.as_mut(), board, &chip)?;
        Ok(Connected { bus, board, chip, via: place.to_string(), board_from, bytes_per_second, hold })
    }

    /// Reads a chip of which nothing is known, at the bridge that `--via` names. Where several parts have its ID, it asks, and the part is
    /// told and not read.
    ///
    /// # Errors
    /// As [`Context::connect`]; or nobody has described a chip with this ID.
    pub fn read_unknown_chip(&self, named: Option<&str>) -> Result<(Observed, Stated<Chip>), Stop> {
        // Every chip is entered in the same way and says its ID; of another chip nothing else is read.
        let any = self.catalog.board(&generic_board("ATmega328P"))?;
        let mut connected = self.connect_to(&self.place()?, Some((any, "assumed")))?;
        let mut observed = connected.observe()?;
        let id = observed.id.ok_or_else(|| Stop::new(Code::NoAnswer, "the chip did not say its ID"))?;
        let parts = self.catalog.parts_with_id(id);
        let part = match (parts.as_slice(), named) {
            ([], _) => return Err(no_chip_file(id)),
            (parts, Some(named)) => parts
                .iter()
                .find(|part| part.eq_ignore_ascii_case(named))
                .ok_or_else(|| Stop::usage(format!("the chip's ID {} is that of {}, and not of {named}", Hex(&id), parts.join(" and "))))?,
            ([only], None) => only,
            (several, None) => &several[ask::choose("Several parts have this ID. Which is printed on the chip?", Some("--chip"), several)?],
        };
        if *part != connected.chip.part {
            (connected.board, connected.chip) = self.catalog.board(&generic_board(part))?;
            observed = connected.observe()?;
        }
        let chip = connected.chip.clone();
        connected.close()?;
        Ok((observed, if parts.len() == 1 { Stated::read(chip) } else { Stated::told(chip) }))
    }

    fn sim_bridge(&self, name: &str) -> Result<Bridge, Stop> {
        let sims = self.sims();
        if !sims.exists(name) && demo_names().iter().any(|demo| demo == name) {
            sims.create(name, name, FIRST_SEED)?;
        }
        let (wire, sim) = sims.connect(name)?;
        Ok(Bridge::of(Client::connect(wire)?, Hold::Sim(Box::new(sim))))
    }

    fn real_bridge(&self, place: &Place) -> Result<Bridge, Stop> {
        let (client, lock) = self.open_bridge(place)?;
        self.say_bridge(place, &client);
        Ok(Bridge::of(client, Hold::Port(lock)))
    }

    /// Takes a bridge that is no sim for this process, and greets it.
    ///
    /// # Errors
    /// It is not there or may not be used, or does not answer.
    pub fn open_bridge(&self, place: &Place) -> Result<(Client, Lock), Stop> {
        let lock = self.lock(place)?;
        let waiting = waiting_at(place)?;
        let met = match place {
            Place::Serial { path, baud } => {
                let speeds = speeds(*baud);
                let wire: Box<dyn SpeedWire> = Box::new(SerialWire::open(path, speeds[speeds.len() - 1])?);
                Client::connect_at(wire, &speeds, waiting)
            }
            Place::SerialServer { address, baud } => {
                let wire: Box<dyn SpeedWire> = Box::new(SerialServerWire::connect(address)?);
                Client::connect_at(wire, &speeds(*baud), waiting)
            }
            Place::Tcp(address) => Client::connect_waiting(Box::new(TcpWire::connect(address)?), waiting),
            Place::Usb(named) => Client::connect_waiting(Box::new(UsbWire::open(named.as_deref())?), waiting),
            Place::Sim(_) | Place::Gpio(_) => return Err(Stop::usage(format!("{place} is at no port"))),
        };
        Ok((met.map_err(|error| no_bridge(place, &error))?, lock))
    }

    /// Lines of this computer. There is no link, so nothing that could be slow.
    fn gpio_bridge(&self, place: &Place, name: &str) -> Result<Bridge, Stop> {
        let file = gpio::described(&self.home, name)?;
        let lock = self.lock(place)?;
        let bus = gpio::open(&file)?;
        let abilities = bus.abilities();
        let (level, fastest) = (abilities.pin_level, abilities.spi_clock_max);
        output::remark(&format!("Bridge: {}, pins at {level}, SPI clock up to {fastest}, through {place}.", abilities.name));
        Ok(Bridge { bus, bytes_per_second: u32::MAX, hold: Hold::Port(lock) })
    }

    /// Says what answers there.
    fn say_bridge(&self, place: &Place, client: &Client) {
        let abilities = client.abilities();
        let at = baud(place, client).map(|baud| format!(" at {baud} baud")).unwrap_or_default();
        let (name, level, version) = (&abilities.name, abilities.pin_level, crate::frame::VERSION);
        output::remark(&format!("Bridge: {name}, protocol version {version}, pins at {level}, through {place}{at}."));
    }

    /// Takes a port for this process.
    ///
    /// # Errors
    /// Another process has it, or the disk's.
    pub fn lock(&self, place: &Place) -> Result<Lock, Stop> {
        let path = match (self.lock_file(place), place) {
            (Some(path), _) => path,
            (None, Place::Usb(named)) => return Err(usb_device(named.as_deref()).err().map_or_else(|| vanished(place), Stop::from)),
            (None, _) => return Err(vanished(place)),
        };
        let folder = self.home.locks();
        std::fs::create_dir_all(&folder).map_err(|why| Stop::usage(format!("cannot create the folder {}:\n{why}", folder.display())))?;
        Lock::take(&path).map_err(|error| match error {
            LockError::Held { holder } => Stop::new(Code::NoAnswer, format!("{place} is in use by another run of this program: {holder}"))
                .hint("Wait until that one ends; a bridge serves one at a time."),
            other => Stop::usage(other.to_string()),
        })
    }

    /// The file whose lock a port's user holds.
    pub fn lock_file(&self, place: &Place) -> Option<PathBuf> {
        Some(self.home.locks().join(place.lock_name()?))
    }

    fn place(&self) -> Result<Place, Stop> {
        if let Some(via) = &self.global.via {
            return via.parse().map_err(|why: String| Stop::usage(why).hint("`farrier bridges` lists what there is; --help says more."));
        }
        if let Some(via) = &self.folder.via {
            return via.parse().map_err(|why: String| Stop::usage(format!("`via` in {NAME}: {why}")));
        }
        let found = bridges::find(&self.home);
        if let [only] = found.sure().as_slice() {
            output::remark(&format!("The only bridge there is: {only}."));
            return Ok(only.clone());
        }
        let mut names = self.sims().names()?;
        names.extend(demo_names());
        names.sort();
        names.dedup();
        let places: Vec<Place> = found.places().into_iter().chain(names.into_iter().map(Place::Sim)).collect();
        let choices: Vec<String> = places.iter().map(Place::to_string).collect();
        let chosen = ask::choose("Which bridge?", Some("--via"), &choices)?;
        Ok(places[chosen].clone())
    }

    /// The board behind a bridge that cannot say which it is.
    fn chosen_board(&self) -> Result<(Board, Chip), Stop> {
        let boards = self.catalog.boards();
        let names: Vec<String> = boards.into_iter().filter(|board| board.described.is_ok()).map(|board| board.name).collect();
        let chosen = ask::choose("Which board is it?", Some("--board"), &names)?;
        Ok(self.catalog.board(&names[chosen])?)
    }

    /// The bridges of unfinished jobs that other processes hold just now: those jobs are running.
    ///
    /// # Errors
    /// When the journal cannot be read.
    pub fn held_by_others(&self, journal: &Journal, own: &str) -> Result<Vec<Held>, Stop> {
        let open = journal.jobs()?.into_iter().filter(|job| job.ended.is_none() && job.bridge != own);
        let held = open.filter(|job| self.in_use(&job.bridge) == Some(true));
        Ok(held.map(|job| Held { bridge: job.bridge, holder: job.holder }).collect())
    }

    /// Whether a process has this bridge just now; `None` where that cannot be found out, as of a device that is not plugged in.
    fn in_use(&self, via: &str) -> Option<bool> {
        match via.parse().ok()? {
            Place::Sim(name) => Some(self.sims().holder(&name).is_some()),
            place => Some(Lock::holder(&self.lock_file(&place)?).is_some()),
        }
    }

    /// The jobs that have ended although nobody was left to write that down: their process is gone, and they had changed nothing. `own` is
    /// the bridge that this process has, if it has one.
    ///
    /// # Errors
    /// When the journal cannot be read.
    pub fn ended_unchanged(&self, journal: &Journal, own: Option<&str>) -> Result<Vec<JobRecord>, Stop> {
        // Whether a bridge is free is asked after its jobs were read: what began later is not among them.
        let unchanged = journal.unfinished(&[])?.into_iter().filter(JobRecord::changed_nothing);
        Ok(unchanged.filter(|record| own == Some(record.job.bridge.as_str()) || self.in_use(&record.job.bridge) == Some(false)).collect())
    }

    /// Every job as it stands, oldest first; those of [`Context::ended_unchanged`] as ended.
    ///
    /// # Errors
    /// When the journal cannot be read.
    pub fn jobs(&self, journal: &Journal) -> Result<Vec<Job>, Stop> {
        let ended: Vec<_> = self.ended_unchanged(journal, None)?.iter().map(|record| record.job.id).collect();
        let mut jobs = journal.jobs()?;
        for job in jobs.iter_mut().filter(|job| ended.contains(&job.id)) {
            job.ended = Some((job.last_entry(), End::Unchanged));
        }
        Ok(jobs)
    }

    /// One job as it stands, likewise.
    ///
    /// # Errors
    /// There is no such job, or the journal cannot be read.
    pub fn job(&self, journal: &Journal, job: JobId) -> Result<JobRecord, Stop> {
        let mut record = journal.job(job)?;
        if self.ended_unchanged(journal, None)?.iter().any(|ended| ended.job.id == job) {
            record.job.ended = Some((record.job.last_entry(), End::Unchanged));
        }
        Ok(record)
    }
}

/// A chip with this ID answered, and there is no chip file for it.
fn no_chip_file(id: [u8; 3]) -> Stop {
    let refused = refused_chips().iter().filter(|refused| refused.id == Some(id));
    let stop = Stop::usage(format!("no chip file here has the ID {}", Hex(&id)));
    let told = |stop: Stop, part: &str, reason: &str| {
        stop.hint(format!("The {part} has it. Farrier does not program that one, because {reason}."))
    };
    refused.fold(stop, |stop, refused| told(stop, &refused.part, &refused.reason)).hint("What a chip file says: boards/README.md")
}

/// The speeds to try.
fn speeds(baud: Option<u32>) -> Vec<u32> {
    baud.map_or(SPEEDS.to_vec(), |baud| vec![baud])
}

/// What happens while a bridge does not answer: after a while that is said, once; and Ctrl-C ends it.
fn waiting_at(place: &Place) -> Result<Waiting, Stop> {
    let flag = interrupt::flag()?;
    let sentence = format!("Waiting for the bridge at {place}: a board that resets when its port is opened takes a moment.");
    let mut said = false;
    Ok(Box::new(move |lasted| {
        if lasted >= WORTH_SAYING && !std::mem::replace(&mut said, true) {
            output::remark(&sentence);
        }
        go_on(flag)
    }))
}

/// The speed at which a bridge answered, where there is one.
pub fn baud(place: &Place, client: &Client) -> Option<u32> {
    let has_one = matches!(place, Place::Serial { .. } | Place::SerialServer { .. });
    has_one.then(|| client.bytes_per_second() * 10)
}

fn vanished(place: &Place) -> Stop {
    Stop::new(Code::NoAnswer, format!("{place} is not there any more"))
}

/// Nothing at a port answers as a bridge does.
fn no_bridge(place: &Place, error: &BusError) -> Stop {
    let what = match error {
        BusError::NoAnswer { waited, tries } => {
            let at = match place {
                Place::Serial { baud, .. } | Place::SerialServer { baud, .. } => {
                    format!(", at {} baud", speeds(*baud).iter().map(u32::to_string).collect::<Vec<_>>().join(", "))
                }
                _ => String::new(),
            };
            format!("no bridge answers at {place}: HELLO was said {tries} times in {:.1} s{at}", waited.as_secs_f64())
        }
        BusError::Nonsense { what } => format!("what answers at {place} is no Farrier bridge, or has another speed:\n{what}"),
        other => format!("{place}: {other}"),
    };
    let code = if matches!(error, BusError::Stopped { .. }) { Code::Interrupted } else { Code::NoAnswer };
    let stop = Stop::new(code, what);
    match error {
        BusError::Stopped { .. } => stop.hint("Nothing was changed. To try again:").command(command_again(&[])),
        BusError::NoAnswer { .. } | BusError::Nonsense { .. } => {
            stop.hint("Is it the right port, and is the bridge's firmware on it? To see what there is:").command("farrier bridges")
        }
        BusError::Version { found, expected } => stop.hint(match found > expected {
            true => "A newer farrier speaks to this bridge.",
            false => "Give the bridge the firmware that belongs to this version of farrier.",
        }),
        _ => stop,
    }
}

impl From<OpenError> for Stop {
    fn from(error: OpenError) -> Stop {
        let code = if matches!(error, OpenError::Unsuitable { .. }) { Code::Usage } else { Code::NoAnswer };
        Stop::new(code, error.to_string())
    }
}
