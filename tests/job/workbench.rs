//! A simulated board with records of its own, and commands carried out on it in this process: look, baseline, plan, record, execute.
//! The order is the program's; consents count as given.

use farrier::board::{Board, Catalog, Chip};
use farrier::bus::{Bus, BusError};
use farrier::finding::Finding;
use farrier::image::Image;
use farrier::job::{self, Baseline, BaselineError, Bench, Entry, Event, JobError, Report};
use farrier::link::{Client, Wire};
use farrier::plan::{self, DesireError, Desired, Intent, LoaderIntent, NamedImage, Observed, Pace, Plan, Resume, Target};
use farrier::record::{JobId, Journal, NewJob, RecordError, SnapshotInfo, SnapshotName, Snapshots};
use farrier::sim::{BYTES_PER_SECOND, Sim};
use std::path::Path;
use std::sync::atomic::AtomicBool;
use std::time::SystemTime;
use tempfile::TempDir;

/// A board and what the host keeps about boards.
pub struct Workbench {
    pub board: Board,
    pub chip: Chip,
    pub sim: Sim,
    pub records: Records,
}

/// A journal and snapshots, gone after the test.
pub struct Records {
    folder: TempDir,
    pub snapshots: Snapshots,
    pub journal: Journal,
    journals: u32,
}

/// A command, and what the user gives with it.
pub struct Command<'a> {
    pub intent: &'a Intent,
    pub tag: Option<&'a str>,
    pub resume: Resume,
    /// Set to stop the work.
    pub stop: &'a AtomicBool,
}

/// What was decided before anything is changed.
pub struct Decided {
    pub observed: Observed,
    pub baseline: Baseline,
    pub plan: Plan,
    pub findings: Vec<Finding>,
}

/// A command that went well.
pub struct Done {
    pub decided: Decided,
    /// Nothing where the board was as desired already.
    pub job: Option<(JobId, Report)>,
}

/// What stops a command.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    #[error(transparent)]
    Bus(#[from] BusError),
    #[error(transparent)]
    Job(#[from] JobError),
    #[error(transparent)]
    Baseline(#[from] BaselineError),
    #[error(transparent)]
    Desire(#[from] DesireError),
    #[error(transparent)]
    Record(#[from] RecordError),
    #[error("refused: {0:?}")]
    Refused(Vec<Finding>),
}

static NEVER: AtomicBool = AtomicBool::new(false);

impl<'a> Command<'a> {
    /// Without a tag, an answer or anybody who stops it.
    pub fn of(intent: &'a Intent) -> Command<'a> {
        Command { intent, tag: None, resume: Resume::Unasked, stop: &NEVER }
    }

    pub fn tagged(self, tag: &'a str) -> Command<'a> {
        Command { tag: Some(tag), ..self }
    }
}

impl Records {
    pub fn new() -> Records {
        // Every step is synced to the disk; in memory, where there is such a folder, that costs nothing.
        let memory = Path::new("/dev/shm");
        let folder = if memory.is_dir() { TempDir::new_in(memory) } else { TempDir::new() }.expect("a temporary folder");
        let journal = Journal::open(folder.path().join("journal.sqlite")).expect("a journal");
        Records { snapshots: Snapshots::open(folder.path().join("snapshots")), journal, folder, journals: 0 }
    }

    /// Begins an empty journal, for which only this snapshot was taken so far.
    pub fn new_journal(&mut self, snapshot: &SnapshotName) {
        self.journals += 1;
        self.journal = Journal::open(self.folder.path().join(format!("journal-{}.sqlite", self.journals))).expect("a journal");
        for other in self.snapshots.list().expect("a list").into_iter().filter(|listed| listed.name != *snapshot) {
            std::fs::remove_dir_all(self.snapshots.path(&other.name)).expect("it goes");
        }
    }
}

impl Workbench {
    /// A demo board as shipped.
    pub fn new(board: &str, seed: u64) -> Workbench {
        let (board, chip) = Catalog::built_in().board(board).expect("a demo board");
        Workbench::of(board, chip, seed)
    }

    /// This board as shipped.
    pub fn of(board: Board, chip: Chip, seed: u64) -> Workbench {
        let sim = Sim::new(&board, &chip, seed);
        Workbench { board, chip, sim, records: Records::new() }
    }

    /// Carries a command out.
    pub fn run(&mut self, command: &Command) -> Result<Done, Failure> {
        let wire = self.sim.wire();
        self.run_over(wire, command, &mut |_| {})
    }

    /// The same over this wire, with somebody who listens.
    pub fn run_over(&mut self, wire: Box<dyn Wire>, command: &Command, listener: &mut dyn FnMut(&Event)) -> Result<Done, Failure> {
        let mut client = Client::connect(wire)?;
        self.run_on(&mut client, command, listener)
    }

    /// The same on this bus.
    pub fn run_on(&mut self, bus: &mut dyn Bus, command: &Command, listener: &mut dyn FnMut(&Event)) -> Result<Done, Failure> {
        let Workbench { board, chip, records, .. } = self;
        let mut bench = Bench::new(bus, board, chip, listener, command.stop);
        let observed = bench.observe()?;
        let decided = decide(board, chip, records, observed, command)?;
        if decided.plan.changes_nothing() && decided.baseline.inherited.is_none() {
            bench.release()?;
            return Ok(Done { decided, job: None });
        }
        let before = records.keep(board, chip, &decided.observed)?;
        let job = records.begin(board, chip, &decided, before, command)?;
        let report = records.execute(&mut bench, &decided, job)?;
        Ok(Done { decided, job: Some((job, report)) })
    }

    /// Looks and decides, and lets the chip go.
    pub fn decide(&self, command: &Command) -> Result<Decided, Failure> {
        let mut client = Client::connect(self.sim.wire())?;
        let mut listener = |_: &Event| {};
        let observed = Bench::new(&mut client, &self.board, &self.chip, &mut listener, command.stop).observe()?;
        decide(&self.board, &self.chip, &self.records, observed, command)
    }
}

fn decide(board: &Board, chip: &Chip, records: &Records, observed: Observed, command: &Command) -> Result<Decided, Failure> {
    let desire = |baseline: &Observed| Ok(plan::desire(command.intent, baseline, chip, board)?);
    decide_for(board, chip, records, observed, command, &desire)
}

/// What a board should hold, given what it held before the first change, and the findings that come with it.
pub type Desire<'a> = &'a dyn Fn(&Observed) -> Result<(Desired, Vec<Finding>), Failure>;

/// The same where something else than the command's intent says what is desired.
pub fn decide_for(
    board: &Board,
    chip: &Chip,
    records: &Records,
    observed: Observed,
    command: &Command,
    desire: Desire,
) -> Result<Decided, Failure> {
    let access = observed.access.as_ref().expect("the chip was reached");
    let pace = Pace { programming_clock: access.programming_clock, bytes_per_second: BYTES_PER_SECOND };
    let target = Target { chip, way_in: chip.ways_in.first().expect("a way in"), board, pace };
    let Records { journal, snapshots, .. } = records;
    let baseline = job::baseline(journal, snapshots, &[], (&observed, command.tag), command.resume, &target)?;
    let (desired, mut findings) = desire(&baseline.observed)?;
    let (plan, of_plan) = plan::reconcile(&observed, &desired, &target).map_err(Failure::Refused)?;
    findings.extend(baseline.consents(&observed, &desired).into_iter().chain(of_plan));
    Ok(Decided { observed, baseline, plan, findings })
}

impl Records {
    /// Takes a snapshot before a change.
    pub fn keep(&self, board: &Board, chip: &Chip, observed: &Observed) -> Result<SnapshotName, RecordError> {
        self.save(board, chip, observed, None, true)
    }

    /// Takes a snapshot by hand, with the board's tag.
    pub fn keep_tagged(&self, board: &Board, chip: &Chip, observed: &Observed, tag: Option<&str>) -> Result<SnapshotName, RecordError> {
        self.save(board, chip, observed, tag, false)
    }

    fn save(
        &self,
        board: &Board,
        chip: &Chip,
        observed: &Observed,
        tag: Option<&str>,
        before_change: bool,
    ) -> Result<SnapshotName, RecordError> {
        let info = SnapshotInfo {
            board: board.name.clone(),
            chip: chip.part.clone(),
            tag: tag.map(str::to_owned),
            date: SystemTime::UNIX_EPOCH,
            made_by: "tests".into(),
            bridge: "sim:bench".into(),
            before_change,
            simulated: true,
            flash_bytes: chip.flash.bytes,
            eeprom_bytes: chip.eeprom.bytes,
        };
        self.snapshots.save(observed, &info)
    }

    /// Enters a job. `before` is the snapshot of what was observed.
    pub fn begin(
        &mut self,
        board: &Board,
        chip: &Chip,
        decided: &Decided,
        before: SnapshotName,
        command: &Command,
    ) -> Result<JobId, RecordError> {
        let inherited = decided.baseline.inherited.as_ref();
        self.journal.begin(&NewJob {
            date: SystemTime::UNIX_EPOCH,
            board: board.name.clone(),
            chip: chip.part.clone(),
            command: "a test".into(),
            tag: command.tag.map(str::to_owned),
            id_bytes: decided.observed.id,
            calibration: decided.observed.calibration,
            serial_number: None,
            bridge: "sim:bench".into(),
            holder: "this process".into(),
            simulated: true,
            made_by: "tests".into(),
            baseline: Some(inherited.map_or_else(|| before.clone(), |inherited| inherited.snapshot.clone())),
            before: Some(before),
            inherits: inherited.map(|inherited| inherited.job),
            images: Vec::new(),
            findings: Vec::new(),
            accepted: Vec::new(),
            held: plan::Fingerprint::of_observed(&decided.observed, chip),
            leaves: plan::Fingerprint::of_desired(decided.plan.desired(), chip),
            plan: &decided.plan,
        })
    }

    /// Carries a plan out.
    pub fn execute(&mut self, bench: &mut Bench, decided: &Decided, job: JobId) -> Result<Report, JobError> {
        let changed = decided.baseline.inherited.is_some();
        bench.execute(&decided.plan, &mut Entry { journal: &mut self.journal, job, date: &|| SystemTime::UNIX_EPOCH, changed })
    }
}

/// `loader install` with the loader that the board file names.
pub fn install(board: &Board) -> Intent {
    let chip = Catalog::built_in().chip(&board.chip).expect("a chip of the catalog");
    let loader = farrier::diagnosis::own_loader(board, &chip).expect("the board names a loader");
    Intent { loader: LoaderIntent::Install(loader), ..Intent::default() }
}

/// `write` of this image.
pub fn write(image: Image) -> Intent {
    let image = NamedImage { name: "application".into(), image };
    Intent { application: plan::ApplicationIntent::Write(image), ..Intent::default() }
}

/// Bytes that look random and are the same every time.
pub fn random_bytes(count: usize, seed: u64) -> Vec<u8> {
    let mut random = fastrand::Rng::with_seed(seed);
    (0..count).map(|_| random.u8(..)).collect()
}

/// `restore` of all that this state holds.
pub fn restore(chip: &Chip, held: Observed) -> Intent {
    let (name, chip) = ("before".to_owned(), chip.part.clone());
    let back = plan::Restore { name, chip, held, parts: plan::Part::ALL.to_vec(), tag: None, board_tag: None, doubt: None };
    Intent { restore: Some(back), ..Intent::default() }
}
