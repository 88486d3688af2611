//! One board bricked in one way, and what `revive` must make of it: the right cause, nothing worse than before, and the board as it was in
//! use where a programming header can do that.

use super::reviver::{Ended, Given, Outcome, bricked_board, everything, revive, wrong};
use crate::job::workbench::Workbench;
use farrier::board::{Board, Chip, Field, Role, demo_application};
use farrier::finding::Kind;
use farrier::image::{ByteAddress, Image};
use farrier::job::JobError;
use farrier::plan::{Contents, Observed};
use farrier::sim::{BrickError, Bricked, Contents as Cells, MendedBy, Used};

pub const SEED: u64 = 11;
const TAG: &str = "1187";

/// The cause that leads the diagnosis, by what is wrong and by what the bridge can see of it; not by the sim's code. Where several
/// things look alike from the bridge it is their class.
pub const CAUSES: &[(&str, &str)] = &[
    ("half-written-application", "application-half-written"),
    ("erased-application", "application-missing"),
    ("wrong-offset", "application-misplaced"),
    ("other-application", "application-of-another-board"),
    ("half-written-loader", "loader-half-written"),
    ("erased-loader", "loader-missing"),
    ("overwritten-loader", "loader-overwritten"),
    ("erased-chip", "chip-erased"),
    ("wiped-settings", "settings-blank"),
    ("bypassed-loader", "loader-bypassed"),
    ("small-boot-section", "reset-beside-loader"),
    ("endless-watchdog", "configuration-differs"),
    // With the bridge's clock output at the clock pin.
    ("missing-clock", "no-clock"),
    ("slow-clock", "clock-slow"),
    ("brown-out-above-supply", "brown-out-above-supply"),
    ("brown-out-deaf", "no-answer"),
    ("locked-chip", "locked-chip"),
    ("reset-disabled", "no-answer"),
    ("serial-programming-off", "no-answer"),
    ("debug-wire", "no-answer"),
    ("open-miso", "no-answer"),
    ("joined-data", "data-lines-joined"),
    ("crossed-data", "no-answer"),
    ("held-reset", "line-held"),
    // The bridge's wire for the supply ends at another pin then.
    ("reversed-cable", "no-supply"),
    ("no-supply", "no-supply"),
    ("weak-supply", "wrong-supply"),
    ("weak-cells", "page-damaged"),
    ("other-chip", "another-chip"),
];

/// Kinds of which a loader that nobody knows is not got back.
const LOADER_LOST: [&str; 5] = ["half-written-loader", "erased-loader", "overwritten-loader", "erased-chip", "locked-chip"];

/// A kind on a board that can have it.
pub struct Trial {
    board: Board,
    chip: Chip,
    kind: &'static Bricked,
    bench: Workbench,
    used: Used,
    before: Cells,
}

impl Trial {
    /// The board, freshly bricked.
    pub fn of(board: &Board, chip: &Chip, kind: &'static Bricked) -> Result<Trial, BrickError> {
        let (bench, used) = bricked_board(board, chip, SEED, &[kind])?;
        let before = bench.sim.contents();
        Ok(Trial { board: board.clone(), chip: chip.clone(), kind, bench, used, before })
    }

    /// Nothing is given, nothing is accepted: it is named as far as anything shows it, and looking changes nothing.
    pub fn is_named(&mut self) -> Result<(), String> {
        let (outcome, now) = self.revive(Given { clock_output: true, ..Given::default() })?;
        // Nobody knows what the application should be but on a demo board, whose own is built in.
        let nobody_knows = demo_application(&self.board.name).is_none();
        let lead = match self.kind.name {
            "half-written-application" | "weak-cells" if nobody_knows => None,
            "wrong-offset" if nobody_knows => Some("application-does-not-start"),
            // It begins as it should, and nobody knows how it goes on.
            "half-written-loader" if self.is_own() => None,
            _ => self.cause(false),
        };
        let mended = matches!(outcome.ended, Ended::Done | Ended::Failed(_));
        let told = self.told(&outcome);
        check(outcome.kinds().first().copied() == lead, || format!("not {lead:?}: {told}"))?;
        check(mended || now == self.before, || format!("changed: {told}"))?;
        check(now.eeprom == self.before.eeprom, || format!("the EEPROM changed: {told}"))
    }

    /// The image that should be there is given, and every consent: what a programming header can mend is mended, and the others end with what
    /// else would.
    pub fn is_mended_or_told_what_would(&mut self) -> Result<(), String> {
        let application = self.used.application.clone();
        let (outcome, now) = self.revive(Given { to: Some(&application), accept: &everything(), clock_output: true, tag: None })?;
        let told = self.told(&outcome);
        let lead = match self.kind.name {
            "half-written-loader" if self.is_own() => None,
            _ => self.cause(false),
        };
        check(outcome.kinds().first().copied() == lead, || format!("not {lead:?}: {told}"))?;
        // Only an erase lifts a lock; what it costs was accepted.
        let erased = self.kind.name == "locked-chip" && !self.keeps_eeprom();
        check(now.eeprom == self.before.eeprom || erased, || format!("the EEPROM changed: {told}"))?;
        let left = outcome.diagnosis.remedy.left.join(" ");
        match self.kind.mended_by {
            MendedBy::ProgrammingHeader if self.is_own() && LOADER_LOST.contains(&self.kind.name) => {
                self.all_but_the_loader(&outcome, &now)
            }
            MendedBy::ProgrammingHeader => self.mended_as_far_as_known(&outcome, &now, erased),
            _ if self.kind.name == "weak-cells" => {
                check(matches!(outcome.ended, Ended::Failed(JobError::Differs(_))), || format!("no difference: {told}"))
            }
            _ => check(matches!(outcome.ended, Ended::NoPlan) && !left.is_empty() && now == self.before, || told),
        }
    }

    /// Whether the board has a loader of somebody's own, which no image here is.
    fn is_own(&self) -> bool {
        self.board.reservation.as_ref().is_some_and(|reservation| reservation.loader.is_none())
    }

    /// What nobody has an image of is left, and said; the application is as in use.
    fn all_but_the_loader(&self, outcome: &Outcome, now: &Cells) -> Result<(), String> {
        let told = self.told(outcome);
        let room = self.board.application(&self.chip);
        let application = |cells: &Cells| cells.flash[room.start().0 as usize..room.end().0 as usize].to_vec();
        check(application(now) == application(&self.used.contents), || format!("not mended: {told}"))?;
        let said = outcome.diagnosis.remedy.left.join(" ").contains("loader") || self.kind.name == "half-written-loader";
        check(said, || format!("a loader is left, and not said: {told}"))
    }

    /// Memories and lock are as in use, and so is the configuration where the board file says what it should be; what nobody knows is left, and
    /// said.
    fn mended_as_far_as_known(&self, outcome: &Outcome, now: &Cells, erased: bool) -> Result<(), String> {
        let told = self.told(outcome);
        let [flash, eeprom, fuses, lock] = wrong(now, &self.used.contents, &self.chip);
        let lost = wrong(&self.before, &self.used.contents, &self.chip)[1];
        let unsaid = self.unsaid();
        check([flash, lock] == [0; 2] && (eeprom == lost || erased), || format!("not mended: {told}"))?;
        check(fuses == 0 || !unsaid.is_empty(), || format!("not set: {told}"))?;
        let left = outcome.diagnosis.remedy.left.join(" ");
        check(unsaid.iter().all(|field| left.contains(&field.name)), || format!("a field is left, and not said: {told}"))?;
        // Settings that nothing has kept do not come back; a board of which nothing is known, or that is as shipped, may never have had any.
        let settings = lost > 0 && self.board.settings.is_some() && self.cause(false) != Some("as-shipped");
        check(left.is_empty() == (unsaid.is_empty() && !settings), || format!("what is left is not what is said: {told}"))?;
        let written = matches!(outcome.ended, Ended::Done);
        check(written || self.kind.name == "wiped-settings" || !unsaid.is_empty(), || told)
    }

    /// A snapshot from before is there, and the board has a tag, so an erased chip is known too: no image need be given, and the settings come
    /// back as well.
    pub fn comes_back_from_its_snapshot(&mut self) -> Result<(), String> {
        if self.kind.mended_by != MendedBy::ProgrammingHeader {
            return Ok(());
        }
        keep(&self.bench, &self.used, Some(TAG));
        // Whether a generic board has another clock nobody knows, so that is asked.
        let accept: &[Kind] = if self.board.generic { &[Kind::ClockSourceChanged] } else { &[] };
        let (outcome, now) = self.revive(Given { tag: Some(TAG), clock_output: true, accept, to: None })?;
        let told = self.told(&outcome);
        let lead = self.cause(true);
        check(outcome.kinds().first().copied() == lead, || format!("not {lead:?}: {told}"))?;
        // Only an erase lifts a lock, and nobody has consented; a code without a name in the chip file is not set by itself.
        let nameless = self.unsaid().iter().any(|field| field.read(&self.used.contents.fuses).is_none_or(|held| held.value.is_none()));
        let whole = self.kind.name != "locked-chip" && !nameless;
        check((wrong(&now, &self.used.contents, &self.chip) == [0; 4]) == whole, || format!("not as it was: {told}"))?;
        check(matches!(outcome.ended, Ended::Done) == whole, || told)
    }

    /// The cause that should lead; nothing where nothing shows that anything is wrong.
    fn cause(&self, snapshot: bool) -> Option<&'static str> {
        let as_shipped = self.before.fuses == self.chip.factory_configuration();
        match self.kind.name {
            "endless-watchdog" if !self.unsaid().is_empty() => Some("watchdog-always-on"),
            "erased-chip" if as_shipped && !snapshot => Some("as-shipped"),
            "wiped-settings" if self.board.settings.is_none() && !snapshot => None,
            name => Some(CAUSES.iter().find(|(kind, _)| *kind == name).unwrap_or_else(|| panic!("no expected cause for {name}")).1),
        }
    }

    /// Fields that are not as in use, and of which the board file does not say what they should be.
    fn unsaid(&self) -> Vec<&Field> {
        let listed = |field: &Field| self.board.expected_configuration.iter().any(|(name, _)| *name == field.name);
        let differs = |field: &Field| field.bits_in(&self.before.fuses) != field.bits_in(&self.used.contents.fuses);
        self.chip.fields.iter().filter(|field| differs(field) && !listed(field)).collect()
    }

    fn keeps_eeprom(&self) -> bool {
        let field = self.chip.field_for(Role::KeepEeprom);
        field.and_then(|field| field.read(&self.before.fuses)).is_some_and(|setting| setting.name() == "on")
    }

    /// Revives, with what always holds: no violation, RESET let go.
    fn revive(&mut self, given: Given) -> Result<(Outcome, Cells), String> {
        let outcome = revive(&mut self.bench, given).map_err(|why| format!("{} {}: {why}", self.board.name, self.kind.name))?;
        let (told, violations) = (self.told(&outcome), self.bench.sim.violations());
        check(violations.count == 0, || format!("{:?}: {told}", violations.list))?;
        check(!self.bench.sim.in_reset(), || format!("in reset: {told}"))?;
        Ok((outcome, self.bench.sim.contents()))
    }

    fn told(&self, outcome: &Outcome) -> String {
        let wrong = wrong(&self.bench.sim.contents(), &self.used.contents, &self.chip);
        let left = &outcome.diagnosis.remedy.left;
        format!("{} {}: {:?}, {:?}, {wrong:?}, left {left:?}", self.board.name, self.kind.name, outcome.kinds(), outcome.ended)
    }
}

fn check(holds: bool, otherwise: impl FnOnce() -> String) -> Result<(), String> {
    if holds { Ok(()) } else { Err(otherwise()) }
}

/// Takes a snapshot of the board as it was.
pub fn keep(bench: &Workbench, used: &Used, tag: Option<&str>) -> String {
    let held = &used.contents;
    let whole = |bytes: &[u8]| Contents { bytes: Image::of(ByteAddress(0), bytes), unreadable: None };
    let observed = Observed {
        id: Some(bench.chip.id),
        calibration: Some(held.calibration),
        flash: whole(&held.flash),
        eeprom: whole(&held.eeprom),
        configuration: Some(held.fuses.clone()),
        lock: Some(held.lock),
        access: None,
    };
    bench.records.keep_tagged(&bench.board, &bench.chip, &observed, tag).expect("a snapshot").as_str().to_owned()
}

/// The judge sees a board that is not as in use afterwards, and a cause that is not the right one.
#[test]
fn canary() {
    let (board, chip) = farrier::board::Catalog::built_in().board("frost").expect("a demo board");
    let trial = |name: &str| Trial::of(&board, &chip, Bricked::named(name).expect("a kind")).expect("it can be bricked so");
    let mut another = trial("erased-loader");
    another.used.contents.flash[0] ^= 1;
    assert!(another.is_mended_or_told_what_would().is_err_and(|why| why.starts_with("not mended")));
    let mut another = trial("erased-loader");
    another.used.contents.eeprom[0] ^= 1;
    assert!(another.comes_back_from_its_snapshot().is_err_and(|why| why.starts_with("not as it was")));
    let mut mistaken = Trial { kind: Bricked::named("bypassed-loader").expect("a kind"), ..trial("erased-loader") };
    assert!(mistaken.is_named().is_err_and(|why| why.starts_with("not Some(\"loader-bypassed\")")));
}
