//! From `--via` to a bridge and the board behind it.

use super::ask;
use super::context::Context;
use super::interrupt;
use super::progress::Progress;
use super::stop::Stop;
use crate::board::{Board, Chip, demo_names};
use crate::bus::Bus;
use crate::job::Bench;
use crate::link::Client;
use crate::plan::Observed;
use crate::record::{Held, Journal};
use crate::sim::{OpenSim, Store, StoreError};

/// What `--via` begins with for a simulated board.
const SIM: &str = "sim:";

/// The seed of a sim that is made at first use.
const FIRST_SEED: u64 = 1;

/// A bridge that answers, and the description of the board behind it.
pub struct Connected {
    pub client: Client,
    pub board: Board,
    pub chip: Chip,
    /// `sim:NAME`.
    pub via: String,
    /// Where the board's description comes from, in words.
    pub board_from: &'static str,
    /// What the link between host and bridge carries in a second.
    pub bytes_per_second: u32,
    /// Keeps the sim for this process; saves it when dropped, after the client.
    sim: OpenSim,
}

impl Connected {
    /// SIMULATED: no hardware is at the other end.
    pub fn simulated(&self) -> bool {
        self.client.abilities().simulated
    }

    /// Reads all that the board holds and lets it go.
    ///
    /// # Errors
    /// When the chip does not answer, or the work is interrupted.
    pub fn observe(&mut self) -> Result<Observed, Stop> {
        let mut progress = Progress::new();
        let mut listener = |event: &_| progress.show(event);
        let mut bench = Bench::new(&mut self.client, &self.board, &self.chip, &mut listener, interrupt::flag()?);
        let observed = bench.observe().and_then(|observed| bench.release().map(|()| observed));
        drop(bench);
        progress.clear();
        Ok(observed?)
    }

    /// Saves what the silicon holds.
    ///
    /// # Errors
    /// The disk's.
    pub fn close(self) -> Result<(), Stop> {
        drop(self.client);
        Ok(self.sim.sync()?)
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
        let via = self.via()?;
        let Some(name) = via.strip_prefix(SIM) else {
            let what = format!("'{via}' is no bridge that this version can reach");
            return Err(Stop::usage(what).hint("Name a simulated board: --via sim:NAME. `farrier sim list` lists them."));
        };
        let sims = self.sims();
        if !sims.exists(name) && demo_names().iter().any(|demo| demo == name) {
            sims.create(name, name, FIRST_SEED)?;
        }
        let (wire, sim) = sims.connect(name)?;
        let (mut board, chip, board_from) = match self.named_board()? {
            Some((board, chip)) => (board, chip, "--board"),
            None => {
                let (board, chip) = self.catalog.board(sim.board())?;
                (board, chip, "named by the sim")
            }
        };
        board.clock_pin_wired |= self.global.clock_output;
        let bytes_per_second = wire.bytes_per_second();
        let client = Client::connect(wire)?;
        Ok(Connected { client, board, chip, via, board_from, bytes_per_second, sim })
    }

    fn via(&self) -> Result<String, Stop> {
        if let Some(via) = &self.global.via {
            return Ok(via.clone());
        }
        let mut names = self.sims().names()?;
        names.extend(demo_names());
        names.sort();
        names.dedup();
        let choices: Vec<String> = names.iter().map(|name| format!("{SIM}{name}")).collect();
        let chosen = ask::choose("Which bridge? Its number, or give --via:", &choices)?;
        Ok(choices[chosen].clone())
    }

    /// The bridges of unfinished jobs that other processes hold just now: those jobs are running.
    ///
    /// # Errors
    /// When the journal cannot be read.
    pub fn held_by_others(&self, journal: &Journal, own: &str) -> Result<Vec<Held>, Stop> {
        let sims = self.sims();
        let in_use = |via: &str| via.strip_prefix(SIM).is_some_and(|name| matches!(sims.open_sim(name), Err(StoreError::InUse { .. })));
        let open = journal.jobs()?.into_iter().filter(|job| job.ended.is_none() && job.bridge != own);
        Ok(open.filter(|job| in_use(&job.bridge)).map(|job| Held { bridge: job.bridge, holder: job.holder }).collect())
    }
}
