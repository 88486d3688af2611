//! The supply goes in the middle of `loader install`, after every operation of the bridge: the same command again brings the board to
//! its desired state, and everything to be kept is as it was before the first run.
//!
//! An ordinary run tries every operation on the ATmega328P, and one in 29 and the last hundred on the two larger chips. The full campaign, every operation on
//! all three (five minutes on two cores):
//!
//! ```text
//! FARRIER_CUT_STEP=1 cargo test --test main job::cuts -- --nocapture
//! ```

use super::workbench::{Command, Decided, Done, Failure, Records, Workbench, install, random_bytes};
use farrier::job::Bench;
use farrier::link::Client;
use farrier::record::SnapshotName;
use farrier::sim::{Contents, Fault, Sim};

/// The last operations of a job, where the configuration and the lock bits change: every cut there is tried.
const TAIL: u64 = 100;

const SEED: u64 = 7;
const TAG: &str = "bench-7";

/// A worn board: an application that fills a few pages here and there, and settings in the whole EEPROM.
fn worn(board: &str) -> Workbench {
    let workbench = Workbench::new(board, SEED);
    let start = workbench.board.reservation.as_ref().expect("a reservation").span.start().0 as usize;
    let page = workbench.chip.flash.page as usize;
    workbench.sim.edit(|contents| {
        contents.flash[..3 * page].copy_from_slice(&random_bytes(3 * page, SEED));
        contents.flash[start - page..start - page / 2].copy_from_slice(&random_bytes(page / 2, SEED + 1));
        // Lock bits in mode 2 make the job begin with an erase.
        contents.lock = 0xFE;
        let settings = contents.eeprom.len();
        contents.eeprom.copy_from_slice(&random_bytes(settings, SEED + 2));
    });
    workbench
}

/// The job up to its first change, done once for all cuts.
struct Begun {
    workbench: Workbench,
    decided: Decided,
    snapshot: SnapshotName,
    before: Contents,
    /// What the board holds after the job that nobody cut.
    wanted: Contents,
    /// Bus operations of that job.
    operations: u64,
}

/// What a cut led to.
enum Cut {
    /// The job was done before the cut.
    Late,
    /// It was not, and the journal says so.
    Unfinished,
}

impl Begun {
    fn on(board: &str) -> Begun {
        let workbench = worn(board);
        let before = workbench.sim.contents();
        let intent = install(&workbench.board);
        let decided = workbench.decide(&Command::of(&intent).tagged(TAG)).expect("a plan");
        let snapshot = workbench.records.keep(&workbench.board, &workbench.chip, &decided.observed).expect("a snapshot");
        let mut begun = Begun { workbench, decided, snapshot, wanted: before.clone(), before, operations: 0 };
        begun.renew();
        let operations = begun.workbench.sim.operations();
        assert!(matches!(begun.execute(), Cut::Late), "without a cut the job is done");
        begun.operations = begun.workbench.sim.operations() - operations;
        begun.wanted = begun.workbench.sim.contents();
        begun.check_wanted();
        begun
    }

    /// The uncut job did what the command is for: this is what the cut ones are compared with.
    fn check_wanted(&self) {
        let (before, wanted) = (&self.before, &self.wanted);
        let reservation = self.workbench.board.reservation.as_ref().expect("a reservation").span;
        let start = reservation.start().0 as usize;
        assert_eq!(wanted.flash[..start], before.flash[..start], "the application is kept");
        assert_eq!(wanted.eeprom, before.eeprom, "the settings are kept");
        let farrier::plan::LoaderIntent::Install(loader) = install(&self.workbench.board).loader else { panic!("it installs") };
        assert_eq!(wanted.flash[start..], loader.image.filled(reservation, 0xFF), "the reservation holds the loader");
        assert_ne!((&wanted.fuses, wanted.lock), (&before.fuses, before.lock));
    }

    /// The board as before the first change, with the same number of operations behind it, and an empty journal.
    fn renew(&mut self) {
        let Workbench { board, chip, sim, records } = &mut self.workbench;
        *sim = Sim::new(board, chip, SEED);
        sim.edit(|contents| *contents = self.before.clone());
        records.new_journal(&self.snapshot);
    }

    /// Records the job and carries it out.
    fn execute(&mut self) -> Cut {
        let Workbench { board, chip, sim, records } = &mut self.workbench;
        let intent = install(board);
        let command = Command::of(&intent).tagged(TAG);
        let job = records.begin(board, chip, &self.decided, self.snapshot.clone(), &command).expect("the job is entered");
        let mut client = Client::connect(sim.wire()).expect("the bridge answers");
        let mut listener = |_: &_| {};
        let mut bench = Bench::new(&mut client, board, chip, &mut listener, command.stop);
        let result = records.execute(&mut bench, &self.decided, job);
        let entry = records.journal.job(job).expect("it is in the journal");
        let changed = self.decided.plan.steps().iter().take(entry.job.steps.len()).any(|step| step.kind.changes_board());
        let ended = entry.job.ended;
        match result {
            Ok(_) => {
                assert!(ended.is_some());
                Cut::Late
            }
            Err(_) => {
                assert_eq!(ended.is_none(), changed, "a job that failed is unfinished, unless it had changed nothing");
                Cut::Unfinished
            }
        }
    }

    /// Cuts the job after so many operations, and gives the same command again, with `records` or those of the first run.
    fn cut_and_again(&mut self, after: u64, records: Option<Records>) -> Option<Result<Done, Failure>> {
        self.renew();
        self.workbench.sim.damage(Fault::PowerCut(after));
        if matches!(self.execute(), Cut::Late) {
            return None;
        }
        self.workbench.sim.restore_power();
        if let Some(records) = records {
            self.workbench.records = records;
        }
        let intent = install(&self.workbench.board);
        Some(self.workbench.run(&Command::of(&intent).tagged(TAG)))
    }

    /// Tries every `step`th cut, and each one in the tail; how many fell inside the job.
    fn every(&mut self, step: u64) -> u64 {
        let mut cuts = 0;
        let operations = self.operations;
        for after in (1..=operations).filter(|after| after % step == 0 || after + TAIL > operations) {
            let Some(again) = self.cut_and_again(after, None) else { continue };
            let done = again.unwrap_or_else(|why| panic!("cut after operation {after}: the same command gave {why}"));
            let asked = done.decided.findings.iter().find(|finding| finding.kind == farrier::finding::Kind::SettingsChangedSince);
            assert!(asked.is_none(), "cut after operation {after}: {asked:?}");
            assert!(self.workbench.sim.contents() == self.wanted, "cut after operation {after}: {}", self.differs());
            let violations = self.workbench.sim.violations();
            assert_eq!(violations.count, 0, "cut after operation {after}: {violations:?}");
            let unfinished = self.workbench.records.journal.unfinished(&[]).expect("the journal is read");
            assert!(unfinished.is_empty(), "cut after operation {after}");
            cuts += 1;
        }
        cuts
    }

    fn differs(&self) -> String {
        let (now, wanted) = (self.workbench.sim.contents(), &self.wanted);
        let first = |now: &[u8], wanted: &[u8]| (0..now.len()).find(|at| now[*at] != wanted[*at]);
        let flash = first(&now.flash, &wanted.flash);
        let eeprom = first(&now.eeprom, &wanted.eeprom);
        let rest = (now.fuses, &wanted.fuses, now.lock, wanted.lock);
        format!("flash from {flash:?}, EEPROM from {eeprom:?}, fuses and lock {rest:02X?}")
    }
}

/// How far one cut is from the next: what the environment says, or this.
fn step(ordinary: u64) -> u64 {
    let asked = std::env::var("FARRIER_CUT_STEP").ok();
    asked.map_or(ordinary, |step| step.parse().expect("FARRIER_CUT_STEP is a number from 1 on"))
}

fn cut_all_over(board: &str, step: u64) {
    let mut begun = Begun::on(board);
    let cuts = begun.every(step);
    println!("{board}: {cuts} cuts in {} operations", begun.operations);
    // The last operations let the chip go, after the last verify.
    assert!((cuts + 1) * step + 5 >= begun.operations, "{board}: {cuts} cuts in {} operations", begun.operations);
}

#[test]
fn cuts_all_over_an_install_on_frost() {
    cut_all_over("frost", step(1));
}

#[test]
fn cuts_all_over_an_install_on_vent() {
    cut_all_over("vent", step(29));
}

#[test]
fn cuts_all_over_an_install_on_pump() {
    cut_all_over("pump", step(29));
}

/// With the cut board as its own baseline, what the job had erased is lost: were it not for the journal, the tests above would fail.
#[test]
fn canary_without_the_journal_something_is_lost() {
    let mut begun = Begun::on("frost");
    let middle = begun.operations / 2;
    let again = begun.cut_and_again(middle, Some(Records::new())).expect("the cut falls inside the job");
    again.expect("nothing seems wrong");
    let (now, wanted) = (begun.workbench.sim.contents(), &begun.wanted);
    assert!(now.flash != wanted.flash && now.eeprom != wanted.eeprom, "the application and settings are not as they were");
}
