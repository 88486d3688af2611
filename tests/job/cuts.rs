//! The supply goes, or the program is killed, in the middle of every job that changes a board, after every operation of the bridge: the same
//! command again brings the board to its desired state, and everything to be kept is as it was before the first run.
//!
//! An ordinary run tries some of the cuts. The full campaign, every operation of every job on all three demo boards:
//!
//! ```text
//! FARRIER_CUT_STEP=1 cargo test --test main job::cuts -- --nocapture
//! ```

use super::killed::{KilledWire, killed};
use super::workbench::{Command, Decided, Done, Failure, Records, Workbench, install, random_bytes, restore, write};
use farrier::finding::Kind;
use farrier::image::{ByteAddress, Image, Span};
use farrier::job::{Bench, Report};
use farrier::link::{Client, Wire};
use farrier::plan::{Intent, LoaderIntent};
use farrier::record::SnapshotName;
use farrier::sim::{Contents, Fault, Sim};

/// The last operations of a job, where the configuration and the lock bits change: each cut there is tried with every step.
const TAIL: u64 = 100;

const SEED: u64 = 7;
const TAG: &str = "bench-7";
const BLANK: u8 = 0xFF;
/// Lock bits in mode 2: nothing can be written, so every job begins with an erase.
const MODE_2: u8 = 0b1111_1110;

/// How a job is cut off.
#[derive(Clone, Copy, Debug)]
enum Loss {
    /// The board loses its supply after so many bus operations.
    Supply,
    /// The program is killed at so many'th call of the wire, and the bridge hears nothing more.
    Program,
}

/// A command that changes a board.
struct Job {
    intent: fn(&Workbench) -> Intent,
    /// Whether the board has its loader before.
    has_loader: bool,
    /// What the uncut job made of the board is what the command is for.
    check: fn(&Begun),
}

/// A worn board: an application that fills a few pages here and there, settings in the whole EEPROM, and mode 2.
fn worn(board: &str, has_loader: bool) -> Workbench {
    let mut workbench = Workbench::new(board, SEED);
    let start = reservation(&workbench).start().0 as usize;
    let page = workbench.chip.flash.page as usize;
    workbench.sim.edit(|contents| {
        contents.flash[..3 * page].copy_from_slice(&random_bytes(3 * page, SEED));
        contents.flash[start - page..start - page / 2].copy_from_slice(&random_bytes(page / 2, SEED + 1));
        let settings = contents.eeprom.len();
        contents.eeprom.copy_from_slice(&random_bytes(settings, SEED + 2));
    });
    if has_loader {
        let intent = install(&workbench.board);
        workbench.run(&Command::of(&intent)).expect("it is installed");
    }
    workbench.sim.edit(|contents| contents.lock &= MODE_2);
    workbench
}

fn reservation(workbench: &Workbench) -> Span {
    workbench.board.reservation.as_ref().expect("a reservation").span
}

/// The job up to its first change, done once for all cuts.
struct Begun {
    workbench: Workbench,
    intent: Intent,
    decided: Decided,
    snapshot: SnapshotName,
    before: Contents,
    /// What the board holds after the job that nobody cut.
    wanted: Contents,
    /// Bus operations of that job.
    operations: u64,
    /// Calls of the wire in that job.
    calls: u64,
}

/// What a cut led to.
#[derive(PartialEq, Eq)]
enum Cut {
    /// The job was done before the cut.
    Late,
    /// It was not, and the journal says so.
    Unfinished,
}

impl Begun {
    fn on(board: &str, job: &Job) -> Begun {
        let workbench = worn(board, job.has_loader);
        let before = workbench.sim.contents();
        let intent = (job.intent)(&workbench);
        let decided = workbench.decide(&Command::of(&intent).tagged(TAG)).expect("a plan");
        let snapshot = workbench.records.keep(&workbench.board, &workbench.chip, &decided.observed).expect("a snapshot");
        let wanted = before.clone();
        let mut begun = Begun { workbench, intent, decided, snapshot, wanted, before, operations: 0, calls: 0 };
        begun.renew();
        let operations = begun.workbench.sim.operations();
        let wire = KilledWire::never(begun.workbench.sim.wire());
        let calls = wire.calls();
        assert!(begun.execute(Box::new(wire)) == Cut::Late, "without a cut the job is done");
        begun.operations = begun.workbench.sim.operations() - operations;
        begun.calls = calls.get();
        begun.wanted = begun.workbench.sim.contents();
        (job.check)(&begun);
        begun
    }

    /// The board as before the first change, with the same number of operations behind it, and an empty journal.
    fn renew(&mut self) {
        let Workbench { board, chip, sim, records } = &mut self.workbench;
        *sim = Sim::new(board, chip, SEED);
        sim.edit(|contents| *contents = self.before.clone());
        records.new_journal(&self.snapshot);
    }

    /// Records the job and carries it out over this wire.
    fn execute(&mut self, wire: Box<dyn Wire>) -> Cut {
        let Workbench { board, chip, records, .. } = &mut self.workbench;
        let command = Command::of(&self.intent).tagged(TAG);
        let job = records.begin(board, chip, &self.decided, self.snapshot.clone(), &command).expect("the job is entered");
        let result = killed(|| {
            let mut client = Client::connect(wire)?;
            let mut listener = |_: &_| {};
            let mut bench = Bench::new(&mut client, board, chip, &mut listener, command.stop);
            Ok::<Report, Failure>(records.execute(&mut bench, &self.decided, job)?)
        });
        let entry = records.journal.job(job).expect("it is in the journal");
        let changed = self.decided.plan.steps().iter().take(entry.job.steps.len()).any(|step| step.kind.changes_board());
        let ended = entry.job.ended.is_some();
        match result {
            Some(Ok(_)) => {
                assert!(ended);
                return Cut::Late;
            }
            Some(Err(_)) => assert_eq!(ended, !changed, "a job that failed is unfinished, unless it had changed nothing"),
            None if ended => return Cut::Late,
            None => {}
        }
        Cut::Unfinished
    }

    /// Cuts the job there, and gives the same command again, with `records` or those of the first run.
    fn cut_and_again(&mut self, loss: Loss, after: u64, records: Option<Records>) -> Option<Result<Done, Failure>> {
        self.renew();
        let mut wire = self.workbench.sim.wire();
        match loss {
            Loss::Supply => self.workbench.sim.damage(Fault::PowerCut(after)),
            Loss::Program => wire = Box::new(KilledWire::at_call(wire, after)),
        }
        if self.execute(wire) == Cut::Late {
            return None;
        }
        match loss {
            Loss::Supply => self.workbench.sim.restore_power(),
            Loss::Program => self.workbench.sim.host_vanishes(),
        }
        if let Some(records) = records {
            self.workbench.records = records;
        }
        Some(self.workbench.run(&Command::of(&self.intent).tagged(TAG)))
    }

    /// Tries every `step`th cut, and more of them in the tail; how many fell inside the job.
    fn every(&mut self, loss: Loss, step: u64) -> u64 {
        let moments = self.moments(loss);
        let in_tail = |after: u64| after + TAIL > moments && after.is_multiple_of(step.div_ceil(10));
        let wanted = |after: &u64| after.is_multiple_of(step) || in_tail(*after);
        let mut cuts = 0;
        for after in (1..=moments).filter(wanted) {
            let Some(again) = self.cut_and_again(loss, after, None) else { continue };
            let done = again.unwrap_or_else(|why| panic!("{loss:?} lost at {after}: the same command gave {why}"));
            self.check(&done, &format!("{loss:?} lost at {after}"));
            cuts += 1;
        }
        cuts
    }

    fn moments(&self, loss: Loss) -> u64 {
        match loss {
            Loss::Supply => self.operations,
            Loss::Program => self.calls,
        }
    }

    /// The board is as wanted after the second run, nothing forbidden was done to it, and no job is left that has something to go on from.
    fn check(&self, done: &Done, told: &str) {
        let asked = done.decided.findings.iter().find(|finding| finding.kind == Kind::SettingsChangedSince);
        assert!(asked.is_none(), "{told}: {asked:?}");
        assert!(self.workbench.sim.contents() == self.wanted, "{told}: {}", self.differs());
        let violations = self.workbench.sim.violations();
        assert_eq!(violations.count, 0, "{told}: {violations:?}");
        let unfinished = self.workbench.records.journal.unfinished(&[]).expect("the journal is read");
        let changed =
            unfinished.iter().find(|left| left.plan.steps().iter().take(left.job.steps.len()).any(|step| step.kind.changes_board()));
        assert!(changed.is_none(), "{told}: job {:?} is left", changed.map(|left| left.job.id));
    }

    fn differs(&self) -> String {
        let (now, wanted) = (self.workbench.sim.contents(), &self.wanted);
        let first = |now: &[u8], wanted: &[u8]| (0..now.len()).find(|at| now[*at] != wanted[*at]);
        let flash = first(&now.flash, &wanted.flash);
        let eeprom = first(&now.eeprom, &wanted.eeprom);
        let rest = (now.fuses, &wanted.fuses, now.lock, wanted.lock);
        format!("flash from {flash:?}, EEPROM from {eeprom:?}, fuses and lock {rest:02X?}")
    }

    /// The flash outside the reservation is as before.
    fn assert_application_kept(&self) {
        let start = reservation(&self.workbench).start().0 as usize;
        assert!(self.wanted.flash[..start] == self.before.flash[..start], "the application is kept");
    }

    /// What the flash in the reservation holds afterwards.
    fn reserved(&self) -> &[u8] {
        &self.wanted.flash[reservation(&self.workbench).start().0 as usize..]
    }

    fn assert_settings_kept(&self) {
        assert!(self.wanted.eeprom == self.before.eeprom, "the settings are kept");
    }
}

fn loader(workbench: &Workbench) -> Image {
    let LoaderIntent::Install(loader) = install(&workbench.board).loader else { panic!("it installs") };
    loader.image
}

const INSTALL: Job = Job {
    intent: |workbench| install(&workbench.board),
    has_loader: false,
    check: |begun| {
        begun.assert_application_kept();
        begun.assert_settings_kept();
        assert_eq!(begun.reserved(), loader(&begun.workbench).filled(reservation(&begun.workbench), BLANK), "the loader is there");
        assert_ne!((&begun.wanted.fuses, begun.wanted.lock), (&begun.before.fuses, begun.before.lock));
    },
};

const REMOVE: Job = Job {
    intent: |_| Intent { loader: LoaderIntent::Remove, ..Intent::default() },
    has_loader: true,
    check: |begun| {
        begun.assert_application_kept();
        begun.assert_settings_kept();
        assert!(begun.reserved().iter().all(|byte| *byte == BLANK), "the loader is gone");
        assert_ne!(begun.wanted.fuses, begun.before.fuses, "reset starts the application");
    },
};

/// The image of [`WRITE`].
fn application() -> Image {
    let mut image = Image::of(ByteAddress(0), &random_bytes(700, SEED + 3));
    image.overwrite(ByteAddress(0x1000), &random_bytes(300, SEED + 4));
    image
}

const WRITE: Job = Job {
    intent: |_| write(application()),
    has_loader: true,
    check: |begun| {
        begun.assert_settings_kept();
        let below = Span::first(reservation(&begun.workbench).start().0);
        assert!(begun.wanted.flash[..below.len() as usize] == application().filled(below, BLANK), "the application is there");
        assert_eq!(begun.reserved(), &begun.before.flash[below.len() as usize..], "the loader is kept");
        assert_eq!((&begun.wanted.fuses, begun.wanted.lock), (&begun.before.fuses, begun.before.lock));
    },
};

const CONFIGURE: Job = Job {
    intent: |_| {
        let fields = [("clock-divider", "on"), ("watchdog", "always-on")];
        Intent { configuration: fields.map(|(field, value)| (field.into(), value.into())).into(), ..Intent::default() }
    },
    has_loader: true,
    check: |begun| {
        assert!(begun.wanted.flash == begun.before.flash, "the flash is kept");
        begun.assert_settings_kept();
        assert_eq!(begun.wanted.lock, begun.before.lock);
        // Of each byte, the bit of the field that was asked for is programmed and all others stay.
        let programmed = |n: usize| begun.before.fuses[n] ^ begun.wanted.fuses[n];
        let changed: u32 = (0..begun.before.fuses.len()).map(|n| programmed(n).count_ones()).sum();
        assert_eq!(changed, 2, "{:02X?} became {:02X?}", begun.before.fuses, begun.wanted.fuses);
    },
};

/// Another state for [`RESTORE`] to go back to: from the time before there was a loader, with other settings. The end of the EEPROM, where a
/// board may have its serial number, is the same: with another number there it would be another board.
fn older(board: &str) -> Workbench {
    let older = worn(board, false);
    older.sim.edit(|contents| contents.eeprom[..512].reverse());
    older
}

const RESTORE: Job = Job {
    intent: |workbench| {
        let older = older(&workbench.board.name);
        let held = older.decide(&Command::of(&Intent::default())).expect("it is looked at").observed;
        restore(&workbench.chip, held)
    },
    has_loader: true,
    check: |begun| {
        let then = older(&begun.workbench.board.name).sim.contents();
        assert_eq!((&begun.wanted.fuses, begun.wanted.lock), (&then.fuses, then.lock));
        assert!(begun.wanted.flash == then.flash && begun.wanted.eeprom == then.eeprom, "the memories are as they were then");
    },
};

/// How far one cut is from the next: what the environment says, or this.
pub fn step(ordinary: u64) -> u64 {
    let asked = std::env::var("FARRIER_CUT_STEP").ok();
    asked.map_or(ordinary, |step| step.parse().expect("FARRIER_CUT_STEP is a number from 1 on"))
}

/// Cuts a job on each demo board, the small one at more moments than the others.
fn cut_all_over(name: &str, job: &Job) {
    for (board, ordinary) in [("frost", 11), ("vent", 97), ("pump", 101)] {
        let step = step(ordinary);
        let mut begun = Begun::on(board, job);
        for loss in [Loss::Supply, Loss::Program] {
            let (cuts, moments) = (begun.every(loss, step), begun.moments(loss));
            println!("{name}, {board}: {cuts} cuts at {moments} moments, {loss:?} lost");
            // The last operations let the chip go, after the last verify.
            assert!((cuts + 1) * step + 5 >= moments, "{name}, {board}, {loss:?}: {cuts} cuts at {moments} moments");
        }
    }
}

#[test]
fn cuts_all_over_an_install() {
    cut_all_over("loader install", &INSTALL);
}

#[test]
fn cuts_all_over_a_removal() {
    cut_all_over("loader remove", &REMOVE);
}

#[test]
fn cuts_all_over_a_write() {
    cut_all_over("write", &WRITE);
}

#[test]
fn cuts_all_over_a_restore() {
    cut_all_over("restore", &RESTORE);
}

#[test]
fn cuts_all_over_a_configuration() {
    cut_all_over("configure", &CONFIGURE);
}

/// The application and settings are not as they were: what these tests are there to see.
fn assert_something_lost(begun: &Begun) {
    let (now, wanted) = (begun.workbench.sim.contents(), &begun.wanted);
    assert!(now.flash != wanted.flash && now.eeprom != wanted.eeprom, "nothing is lost");
}

/// With the cut board as its own baseline, what the job had erased is lost: were it not for the journal, the tests above would fail.
#[test]
fn canary_without_the_journal_something_is_lost() {
    for loss in [Loss::Supply, Loss::Program] {
        let mut begun = Begun::on("frost", &INSTALL);
        let middle = begun.moments(loss) / 2;
        let again = begun.cut_and_again(loss, middle, Some(Records::new())).expect("the cut falls inside the job");
        again.expect("nothing seems wrong");
        assert_something_lost(&begun);
    }
}

/// An executor that does not write a step down before it begins it: the journal knows the job and no step of it.
#[test]
fn canary_with_an_executor_that_does_not_write_down_its_steps_something_is_lost() {
    let mut begun = Begun::on("frost", &INSTALL);
    begun.renew();
    let command = Command::of(&begun.intent).tagged(TAG);
    let Workbench { board, chip, records, .. } = &mut begun.workbench;
    records.begin(board, chip, &begun.decided, begun.snapshot.clone(), &command).expect("the job is entered");
    let journal = std::mem::replace(&mut begun.workbench.records, Records::new());
    begun.workbench.sim.damage(Fault::PowerCut(begun.operations / 2));
    assert!(begun.execute(begun.workbench.sim.wire()) == Cut::Unfinished);
    begun.workbench.sim.restore_power();
    begun.workbench.records = journal;
    begun.workbench.run(&Command::of(&begun.intent).tagged(TAG)).expect("nothing seems wrong");
    assert_something_lost(&begun);
}
