//! `--rehearse`: the whole job on a simulated board that holds what the real one holds, before that one is asked for.
//!
//! Once straight, then with the supply cut after every step and at moments inside; after each cut the same job again, from the same
//! baseline. It goes over the simulated bridge's wire with records of its own, by the code that the real job goes by. The simulated board
//! has none of the faults that the real one may have.

use super::context::{MADE_BY, date, way_in};
use super::plan_view;
use super::stop::Stop;
use crate::board::{Board, Chip};
use crate::image::{Image, Memory};
use crate::job::{self, Bench, Entry, Event};
use crate::link::Client;
use crate::lock;
use crate::plan::{self, Desired, Intent, Observed, Pace, Plan, Resume, Target};
use crate::record::{JobId, Journal, NewJob, RecordError, SnapshotInfo, SnapshotName, Snapshots};
use crate::sim::{BYTES_PER_SECOND, Contents, Fault, Sim};
use crate::time::{Clock, HostClock};
use serde::Serialize;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tempfile::TempDir;

/// Makes the random choices of the simulated board: what a torn write leaves.
const SEED: u64 = 1;
/// At most so many cuts, and no new one after this time.
const CUTS_MOST: usize = 30;
const TIME_MOST: Duration = Duration::from_secs(60);

/// What is rehearsed.
pub struct Rehearsal<'a> {
    pub board: &'a Board,
    pub chip: &'a Chip,
    pub tag: Option<&'a str>,
    /// `None`: the end of a job that was cut off, which the plan leads to.
    pub intent: Option<&'a Intent>,
    /// What the board holds now.
    pub observed: &'a Observed,
    /// What it held before the first change.
    pub baseline: &'a Observed,
    pub plan: &'a Plan,
    /// Set to stop.
    pub stop: &'static AtomicBool,
}

/// How a rehearsal came out that went well.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Rehearsed {
    /// Power cuts, beside the one run without any.
    pub cuts: u32,
}

/// Why a rehearsal ended early.
pub enum Ended {
    /// Asked to stop.
    Interrupted,
    /// The records of the rehearsal cannot be kept, or the like.
    Impossible(Stop),
    /// It did not end as it should: when, and what was wrong.
    Failed(String),
}

impl From<Stop> for Ended {
    fn from(stop: Stop) -> Ended {
        Ended::Impossible(stop)
    }
}

impl From<RecordError> for Ended {
    fn from(error: RecordError) -> Ended {
        Ended::Impossible(error.into())
    }
}

/// The stage: a simulated board, and what is kept about it.
struct Stage<'a> {
    of: &'a Rehearsal<'a>,
    folder: TempDir,
    snapshots: Snapshots,
    before: SnapshotName,
    baseline: SnapshotName,
    sim: Sim,
    journal: Journal,
}

impl Rehearsal<'_> {
    /// Rehearses it. `shown` is told how many cuts are done, and of how many.
    ///
    /// # Errors
    /// The first thing that is not as it should be.
    pub fn run(&self, shown: &mut dyn FnMut(usize, usize)) -> Result<Rehearsed, Ended> {
        let clock = HostClock::start();
        let begun = clock.now();
        let mut stage = Stage::set(self)?;
        let ends = stage.straight()?;
        let moments = moments(&ends);
        let mut cuts = 0;
        for (done, after) in moments.iter().enumerate() {
            if clock.now().since(begun) > TIME_MOST {
                break;
            }
            shown(done, moments.len());
            stage.renew(done)?;
            cuts += u32::from(stage.cut(*after, &ends)?);
        }
        Ok(Rehearsed { cuts })
    }

    fn step_at(&self, after: u64, ends: &[u64]) -> String {
        let index = ends.iter().take_while(|end| **end < after).count();
        let title = self.plan.steps().get(index).map_or_else(|| "the end".to_owned(), |step| plan_view::title(step, self.chip));
        format!("the supply cut after operation {after} (step {}: {title})", index + 1)
    }
}

/// After how many operations to cut: at the end of every step, then at moments in between, as many as there may be.
fn moments(ends: &[u64]) -> Vec<u64> {
    let total = ends.last().copied().unwrap_or_default();
    let spread = |many: usize| (1..=many as u64).map(move |nth| (total * nth / (many as u64 + 1)).max(1));
    let steps: BTreeSet<u64> = ends.iter().copied().filter(|end| (1..total).contains(end)).collect();
    if steps.len() >= CUTS_MOST {
        return spread(CUTS_MOST).collect();
    }
    let inside: BTreeSet<u64> = spread(CUTS_MOST - steps.len()).filter(|at| !steps.contains(at)).collect();
    steps.into_iter().chain(inside).collect()
}

impl<'a> Stage<'a> {
    fn set(of: &'a Rehearsal<'a>) -> Result<Stage<'a>, Ended> {
        let unable = |why: std::io::Error| Stop::usage(format!("no temporary folder for the rehearsal: {why}"));
        // Every step is synced, and these records need not outlive the machine: in memory, where there is such a folder, it costs nothing.
        let place = Some(PathBuf::from("/dev/shm")).filter(|memory| memory.is_dir()).unwrap_or_else(std::env::temp_dir);
        let folder = tempfile::Builder::new().prefix("farrier-rehearsal-").tempdir_in(place).map_err(unable)?;
        let snapshots = Snapshots::open(folder.path().join("snapshots"));
        let before = snapshots.save(of.observed, &info(of))?;
        let baseline = if of.baseline == of.observed { before.clone() } else { snapshots.save(of.baseline, &info(of))? };
        let journal = Journal::open(folder.path().join("journal"))?;
        Ok(Stage { of, folder, snapshots, before, baseline, sim: sim(of), journal })
    }

    /// The board as it is now, and an empty journal.
    fn renew(&mut self, nth: usize) -> Result<(), Ended> {
        self.sim = sim(self.of);
        self.journal = Journal::open(self.folder.path().join(format!("journal-{nth}")))?;
        Ok(())
    }

    /// The job without a cut: after how many operations each of its steps ended.
    fn straight(&mut self) -> Result<Vec<u64>, Ended> {
        let mut ends = Vec::new();
        self.first(&mut ends)?.map_err(|why| self.failed("the job without a cut", &why))?;
        self.check().map_err(|why| self.failed("the job without a cut", &why))?;
        Ok(ends)
    }

    /// The job, cut after so many operations, and the same job again. Whether the cut fell inside it.
    fn cut(&mut self, after: u64, ends: &[u64]) -> Result<bool, Ended> {
        self.sim.damage(Fault::PowerCut(after));
        let inside = self.first(&mut Vec::new())?.is_err();
        self.sim.restore_power();
        let at = self.of.step_at(after, ends);
        self.again().map_err(|why| self.failed(&at, &why))?;
        self.check().map_err(|why| self.failed(&at, &why))?;
        Ok(inside)
    }

    /// The plan as it was shown: how it came out, and after how many operations each of its steps ended.
    fn first(&mut self, ends: &mut Vec<u64>) -> Result<Result<(), String>, Ended> {
        let (before, baseline) = (self.before.clone(), self.baseline.clone());
        let goes_on = baseline != before;
        let job = self.enter(self.of.plan, before, baseline, None)?;
        Ok(self.execute(self.of.plan, job, goes_on, ends))
    }

    fn failed(&self, when: &str, why: &str) -> Ended {
        match self.of.stop.load(Ordering::Relaxed) {
            true => Ended::Interrupted,
            false => Ended::Failed(format!("{when}: {why}")),
        }
    }

    /// The same command again: it looks, goes on from the unfinished job, plans what is left, and does it.
    fn again(&mut self) -> Result<(), String> {
        let Rehearsal { board, chip, intent, tag, stop, .. } = *self.of;
        let observed = {
            let mut client = Client::connect(self.sim.wire()).map_err(told)?;
            let mut listener = |_: &Event| {};
            Bench::new(&mut client, board, chip, &mut listener, stop).observe().map_err(told)?
        };
        let way_in = way_in(chip).map_err(|why| why.message().to_owned())?;
        let clock = observed.access.as_ref().map(|access| access.programming_clock).ok_or("the chip was not reached")?;
        let target = Target { chip, way_in, board, pace: Pace { programming_clock: clock, bytes_per_second: BYTES_PER_SECOND } };
        let unfinished = self.journal.unfinished(&[]).map_err(told)?;
        // Here it is known which board it is; a user is asked where the board cannot tell.
        let answer = unfinished.first().map_or(Resume::Unasked, |record| Resume::Job(record.job.id.0 as u64));
        let baseline = job::baseline(&self.journal, &self.snapshots, &[], (&observed, tag), answer, &target).map_err(told)?;
        let desired = match intent {
            Some(intent) => plan::desire(intent, &baseline.observed, chip, board).map_err(told)?.0,
            None => self.of.plan.desired().clone(),
        };
        let (plan, _) = plan::reconcile(&observed, &desired, &target)
            .map_err(|findings| findings.iter().map(|finding| finding.sentence.as_str()).collect::<Vec<_>>().join("\n"))?;
        if plan.changes_nothing() && baseline.inherited.is_none() {
            return Ok(());
        }
        let before = self.snapshots.save(&observed, &info(self.of)).map_err(told)?;
        let (kept, inherits) = match &baseline.inherited {
            Some(inherited) => (inherited.snapshot.clone(), Some(inherited.job)),
            None => (before.clone(), None),
        };
        let job = self.enter(&plan, before, kept, inherits).map_err(|why| why.message().to_owned())?;
        self.execute(&plan, job, inherits.is_some(), &mut Vec::new())
    }

    fn enter(&mut self, plan: &Plan, before: SnapshotName, baseline: SnapshotName, inherits: Option<JobId>) -> Result<JobId, Stop> {
        let Rehearsal { board, chip, observed, tag, .. } = *self.of;
        Ok(self.journal.begin(&NewJob {
            date: date(),
            board: board.name.clone(),
            chip: chip.part.clone(),
            command: "a rehearsal".to_owned(),
            tag: tag.map(str::to_owned),
            id_bytes: observed.id,
            calibration: observed.calibration,
            serial_number: None,
            bridge: "a rehearsal".to_owned(),
            holder: lock::this_process(),
            simulated: true,
            made_by: MADE_BY.to_owned(),
            baseline: Some(baseline),
            before: Some(before),
            inherits,
            images: Vec::new(),
            findings: Vec::new(),
            accepted: Vec::new(),
            held: None,
            leaves: None,
            plan,
        })?)
    }

    /// Carries a plan out, and notes after how many operations each step ended.
    fn execute(&mut self, plan: &Plan, job: JobId, changed: bool, ends: &mut Vec<u64>) -> Result<(), String> {
        let Rehearsal { board, chip, stop, .. } = *self.of;
        let sim = self.sim.clone();
        let mut client = Client::connect(self.sim.wire()).map_err(told)?;
        let mut listener = |event: &Event| {
            if let Event::StepDone { .. } = event {
                ends.push(sim.operations());
            }
        };
        let mut bench = Bench::new(&mut client, board, chip, &mut listener, stop);
        bench.execute(plan, &mut Entry { journal: &mut self.journal, job, date: &date, changed }).map(drop).map_err(told)
    }

    /// Whether the board holds what is desired, let go and unharmed, and no job is left unfinished.
    fn check(&self) -> Result<(), String> {
        differs(&self.sim.contents(), self.of.plan.desired(), self.of.chip)?;
        if let Some(violation) = self.sim.violations().list.first() {
            return Err(format!("something was done that the chip's datasheet forbids: {}", violation.text));
        }
        if self.sim.in_reset() {
            return Err("the chip was not let go".into());
        }
        match self.journal.unfinished(&[]) {
            Ok(unfinished) if unfinished.is_empty() => Ok(()),
            Ok(_) => Err("a job was left unfinished".into()),
            Err(why) => Err(why.to_string()),
        }
    }
}

fn told(error: impl std::fmt::Display) -> String {
    error.to_string()
}

/// A simulated board that holds what was read of the real one. What could not be read is blank.
fn sim(of: &Rehearsal) -> Sim {
    let sim = Sim::new(of.board, of.chip, SEED);
    let Observed { flash, eeprom, configuration, lock, calibration, .. } = of.observed;
    sim.edit(|contents| {
        put(&mut contents.flash, &flash.bytes);
        put(&mut contents.eeprom, &eeprom.bytes);
        contents.fuses.iter_mut().zip(configuration.iter().flatten()).for_each(|(fuse, read)| *fuse = *read);
        contents.lock = lock.unwrap_or(contents.lock);
        contents.calibration = calibration.unwrap_or(contents.calibration);
    });
    sim
}

fn put(memory: &mut [u8], image: &Image) {
    for (at, bytes) in image.runs() {
        memory.iter_mut().skip(at.0 as usize).zip(bytes).for_each(|(cell, byte)| *cell = *byte);
    }
}

/// The first place where the board does not hold what is desired.
fn differs(held: &Contents, desired: &Desired, chip: &Chip) -> Result<(), String> {
    for (memory, cells, wanted) in [(Memory::Flash, &held.flash, &desired.flash), (Memory::Eeprom, &held.eeprom, &desired.eeprom)] {
        for (at, bytes) in wanted.runs() {
            let pairs = cells.iter().skip(at.0 as usize).zip(bytes).enumerate();
            if let Some((n, (held, wanted))) = pairs.into_iter().find(|(_, (held, wanted))| held != wanted) {
                return Err(format!("{} at 0x{:05X} holds 0x{held:02X} and not 0x{wanted:02X}", memory.name(), at.0 as usize + n));
            }
        }
    }
    let bytes = chip.configuration.iter().chain([&chip.lock]);
    let (held, wanted) = (held.fuses.iter().chain([&held.lock]), desired.configuration.iter().chain([&desired.lock]));
    for (byte, (held, wanted)) in bytes.zip(held.zip(wanted)) {
        if (held ^ wanted) & byte.used != 0 {
            return Err(format!("the {} byte is 0x{held:02X} and not 0x{wanted:02X}", byte.name));
        }
    }
    Ok(())
}

fn info(of: &Rehearsal) -> SnapshotInfo {
    SnapshotInfo {
        board: of.board.name.clone(),
        chip: of.chip.part.clone(),
        tag: of.tag.map(str::to_owned),
        date: date(),
        made_by: MADE_BY.to_owned(),
        bridge: "a rehearsal".to_owned(),
        before_change: false,
        simulated: true,
        flash_bytes: of.chip.flash.bytes,
        eeprom_bytes: of.chip.eeprom.bytes,
    }
}
