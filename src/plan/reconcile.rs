//! From what was observed to what is desired: the steps, in the order that loses least when it is cut.

use super::difference::{ByteChange, Difference, Match, Opening, match_of};
use super::estimate::estimate;
use super::step::{Pace, Plan, Step, StepKind};
use super::{Desired, Observed, fields, stakes};
use crate::board::{self, Board, Chip, RegionOwner, Role, WayIn};
use crate::finding::{Finding, Severity};
use crate::image::{ByteAddress, Memory, Span};
use crate::units::Hertz;

/// What a plan is made for.
#[derive(Clone, Copy, Debug)]
pub struct Target<'a> {
    pub chip: &'a Chip,
    pub way_in: &'a WayIn,
    pub board: &'a Board,
    pub pace: Pace,
}

/// The plan from `observed` to `desired`, with its consents and notes. No steps where nothing differs.
///
/// # Errors
/// All findings, where one of them refuses.
pub fn reconcile(observed: &Observed, desired: &Desired, target: &Target) -> Result<(Plan, Vec<Finding>), Vec<Finding>> {
    let steps = steps(observed, desired, target);
    let findings = stakes::of_plan(observed, desired, target, &steps);
    match findings.iter().any(|finding| finding.severity() == Severity::Refuse) {
        true => Err(findings),
        false => Ok((Plan { desired: desired.clone(), steps }, findings)),
    }
}

/// The steps from `observed` to `desired`.
pub(super) fn steps(observed: &Observed, desired: &Desired, target: &Target) -> Vec<Step> {
    let difference = Difference::between(observed, desired, target);
    if !difference.any() {
        return Vec::new();
    }
    let mut list = StepList { observed, desired, target, pace: target.pace, steps: Vec::new() };
    let clock = target.pace.programming_clock;
    list.add(StepKind::Enter { slowest_first: false }, &format!("to reach the chip, at a programming clock of {clock}"));
    let opening = |after_erase: bool| difference.opening.as_ref().filter(|opening| opening.after_erase == after_erase);
    opening(false).into_iter().for_each(|opening| list.open_eeprom(opening));
    if let Some(reason) = &difference.erase {
        list.add(StepKind::Erase, reason);
    }
    opening(true).into_iter().for_each(|opening| list.open_eeprom(opening));
    list.memories(&difference);
    list.configuration(&difference);
    list.check_all(&difference);
    if let Some(value) = difference.lock {
        list.add(StepKind::WriteLock { value }, "to protect what was written");
        list.add(StepKind::Enter { slowest_first: false }, "to see the lock bits from a fresh entry");
        list.add(StepKind::Verify { spans: Vec::new(), configuration: false, lock: true }, "to prove the lock bits");
    }
    list.add(StepKind::Release, "the firmware starts now");
    list.steps
}

struct StepList<'a> {
    observed: &'a Observed,
    desired: &'a Desired,
    target: &'a Target<'a>,
    /// What the steps to come are estimated by.
    pace: Pace,
    steps: Vec<Step>,
}

impl StepList<'_> {
    fn add(&mut self, kind: StepKind, reason: &str) {
        let (chip, pace) = (self.target.chip, self.pace);
        let bytes = bytes(&kind, self.desired, chip);
        let estimate = estimate(&kind, self.desired, chip, pace);
        self.steps.push(Step { kind, bytes, reason: reason.to_string(), estimate });
    }

    /// Fuses but the one that keeps the EEPROM come into force with the next entry (8271, 'Fuse Bits': latched as the chip enters
    /// programming mode, in force once it leaves it; from memory).
    fn open_eeprom(&mut self, opening: &Opening) {
        self.add(StepKind::WriteConfiguration { byte: opening.byte, value: opening.value }, &opening.reason);
        self.add(StepKind::Enter { slowest_first: false }, "so that it is in force");
    }

    /// Settings before the firmware that reads them; the loader before the application, so that a board whose reset starts
    /// the loader finds it there after a cut. What was written is checked before the configuration makes the chip start it.
    fn memories(&mut self, difference: &Difference) {
        let mut written = Vec::new();
        if let Some(span) = extent(&difference.eeprom, self.target.chip.eeprom.page) {
            written.extend(runs(&difference.eeprom, self.target.chip.eeprom.page).map(|run| (Memory::Eeprom, run)));
            let reason = self.reason(Memory::Eeprom, &difference.eeprom, difference.erase.is_some());
            self.add(StepKind::WriteEeprom { span, pages: difference.eeprom.clone() }, &reason);
        }
        let page = self.target.chip.flash.page;
        for (region, within) in regions(self.target.chip, self.target.board) {
            let pages: Vec<ByteAddress> =
                difference.flash.iter().copied().filter(|at| within.iter().any(|span| span.contains(*at))).collect();
            let Some(span) = extent(&pages, page) else { continue };
            written.extend(runs(&pages, page).map(|run| (Memory::Flash, run)));
            let reason = self.reason(Memory::Flash, &pages, difference.erase.is_some());
            self.add(StepKind::WriteFlash { region, span, pages }, &reason);
        }
        if !written.is_empty() && !difference.configuration.is_empty() {
            let verify = StepKind::Verify { spans: written, configuration: false, lock: false };
            self.add(StepKind::Enter { slowest_first: false }, "to see what was written from a fresh entry");
            self.add(verify, "to be sure of it before the configuration changes");
        }
    }

    /// Why pages are written: whether their bytes are put there anew, or written back.
    fn reason(&self, memory: Memory, pages: &[ByteAddress], erased: bool) -> String {
        let page = if memory == Memory::Eeprom { self.target.chip.eeprom.page } else { self.target.chip.flash.page };
        let origins = self.desired.origins.iter().filter(|(of, span, _)| {
            *of == memory && pages.iter().filter_map(|at| Span::sized(*at, page)).any(|page| page.overlap(*span).is_some())
        });
        let mut new: Vec<&str> = Vec::new();
        let mut kept = false;
        for (_, _, origin) in origins {
            match origin {
                super::Origin::Image(name) | super::Origin::Snapshot(name) if !new.contains(&name.as_str()) => new.push(name),
                super::Origin::Baseline => kept = true,
                _ => {}
            }
        }
        let back = if erased { "to put back what the erase takes" } else { "to put back what was there before the job" };
        match (new.is_empty(), kept) {
            (true, true) => back.to_string(),
            (true, false) => "to clear what nothing wants".to_string(),
            (false, false) => format!("to put {} there{}", new.join(" and "), self.parameters(&new)),
            (false, true) => format!("to put {} there{}, and {}", new.join(" and "), self.parameters(&new), &back[3..]),
        }
    }

    /// What the board file puts into a loader of ours.
    fn parameters(&self, images: &[&str]) -> String {
        let built = images.iter().find_map(|name| board::loader(name, self.target.board, self.target.chip).ok());
        let built = built.filter(|built| self.desired.origin(Memory::Flash, built.block.start()) == Some(&super::Origin::BoardFile));
        built.map_or_else(String::new, |built| format!(": the {built}, as the board file says"))
    }

    /// The clock on its own, proven by an entry; then the rest, what decides where reset starts last.
    fn configuration(&mut self, difference: &Difference) {
        let chip = self.target.chip;
        let clock = |byte: usize| fields::mask_of(chip, byte, &Role::OF_CLOCK);
        let start = |byte: usize| fields::mask_of(chip, byte, &[Role::ResetStart, Role::BootSection]);
        let (mut plain, mut starting) = (Vec::new(), Vec::new());
        let mut clocked = false;
        for change in self.swing_first(difference) {
            let differs = |mask: u8| change.from.is_none_or(|from| (from ^ change.to) & mask != 0);
            let (of_clock, of_start) = (differs(clock(change.byte)), differs(start(change.byte)) && start(change.byte) != 0);
            let of_clock = of_clock && clock(change.byte) != 0;
            if of_clock {
                let rest = if of_start { change.from.map_or(0, |_| !clock(change.byte)) } else { 0 };
                let value = change.from.unwrap_or(0xFF) & rest | change.to & !rest | !change.used;
                self.add(StepKind::WriteConfiguration { byte: change.byte, value }, "to set the clock, by itself");
                clocked = true;
                if value == change.to {
                    continue;
                }
            }
            if of_start { starting.push(change) } else { plain.push(change) }
        }
        if clocked {
            self.add(StepKind::Enter { slowest_first: true }, "to prove that the chip runs on its new clock");
            self.pace = self.pace_on_new_clock();
        }
        for change in plain {
            self.add(StepKind::WriteConfiguration { byte: change.byte, value: change.to }, "to set the configuration");
        }
        for change in starting {
            self.add(StepKind::WriteConfiguration { byte: change.byte, value: change.to }, "to choose where reset starts");
        }
    }

    /// The changes in their order, but a byte that gives a crystal its full swing before one that chooses the crystal.
    fn swing_first<'d>(&self, difference: &'d Difference) -> Vec<&'d ByteChange> {
        let field = self.target.chip.field_for(Role::CrystalSwing);
        let full = field.filter(|field| fields::value(field, &self.desired.configuration).is_some_and(|value| value.name == "full"));
        let mut changes: Vec<_> = difference.configuration.iter().collect();
        changes.sort_by_key(|change| full.is_none_or(|field| field.byte != change.byte));
        changes
    }

    /// The pace once the chip runs on its desired clock: as much faster or slower as the chip's own limit.
    fn pace_on_new_clock(&self) -> Pace {
        let Target { chip, board, pace, .. } = *self.target;
        let limit = |configuration: &[u8]| chip.system_clock(board, configuration).map(|clock| chip.programming_clock_limit(clock));
        let before = self.observed.configuration.as_deref().and_then(limit);
        let Some((before, after)) = before.zip(limit(&self.desired.configuration)) else { return pace };
        let scaled = u64::from(pace.programming_clock.0) * u64::from(after.0) / u64::from(before.0.max(1));
        Pace { programming_clock: Hertz(scaled.min(after.0.into()) as u32), ..pace }
    }

    /// Everything that the desired state speaks of, from a fresh entry.
    fn check_all(&mut self, difference: &Difference) {
        let fresh = matches!(self.steps.last(), Some(Step { kind: StepKind::Enter { .. }, .. })) && self.steps.len() > 1;
        if !fresh && self.steps.len() > 1 {
            self.add(StepKind::Enter { slowest_first: false }, "to see the board from a fresh entry");
        }
        let flash = self.desired.flash.spans().map(|span| (Memory::Flash, span));
        let spans = flash.chain(self.desired.eeprom.spans().map(|span| (Memory::Eeprom, span))).collect();
        let verify = StepKind::Verify { spans, configuration: true, lock: difference.lock.is_none() };
        self.add(verify, "to prove all of it by reading back");
    }
}

/// How many bytes a step writes or reads back.
fn bytes(kind: &StepKind, desired: &Desired, chip: &Chip) -> u32 {
    match kind {
        StepKind::WriteFlash { pages, .. } => pages.len() as u32 * chip.flash.page,
        StepKind::WriteEeprom { pages, .. } => {
            let held = |at: &ByteAddress| Span::sized(*at, chip.eeprom.page).map_or(0, |page| desired.eeprom.crop(page).len() as u32);
            pages.iter().map(held).sum()
        }
        StepKind::WriteConfiguration { .. } | StepKind::WriteLock { .. } => 1,
        StepKind::Verify { spans, configuration, lock } => {
            let configuration = if *configuration { chip.configuration.len() as u32 } else { 0 };
            spans.iter().map(|(_, span)| span.len()).sum::<u32>() + configuration + u32::from(*lock)
        }
        StepKind::Enter { .. } | StepKind::Erase | StepKind::Release => 0,
    }
}

/// The regions of the flash in the order in which they are written: the loader's, the board's own, the rest.
pub fn regions(chip: &Chip, board: &Board) -> Vec<(String, Vec<Span>)> {
    let mut taken = Vec::new();
    let mut regions = Vec::new();
    let reserved = board.reservation.iter().map(|reservation| ("loader".to_string(), reservation.span));
    let named = |owner: RegionOwner| {
        let regions = board.regions.iter().filter(move |region| region.owner == owner);
        regions.map(|region| (region.name.clone(), region.span))
    };
    for (name, span) in reserved.chain(named(RegionOwner::Loader)).chain(named(RegionOwner::Application)) {
        let own = fields::outside(span, &taken);
        taken.push(span);
        if !own.is_empty() {
            regions.push((name, own));
        }
    }
    regions.push(("application".to_string(), fields::outside(Span::first(chip.flash.bytes), &taken)));
    regions
}

/// From the first of these pages to the end of the last.
fn extent(pages: &[ByteAddress], page: u32) -> Option<Span> {
    Span::new(*pages.first()?, Span::sized(*pages.last()?, page)?.end())
}

/// Pages that follow each other, as one span each.
fn runs(pages: &[ByteAddress], page: u32) -> impl Iterator<Item = Span> {
    let mut runs: Vec<Span> = Vec::new();
    for next in pages.iter().filter_map(|at| Span::sized(*at, page)) {
        match runs.last_mut() {
            Some(run) if run.end() == next.start() => *run = Span::new(run.start(), next.end()).unwrap_or(*run),
            _ => runs.push(next),
        }
    }
    runs.into_iter()
}

/// Whether the image of this name is on the board already, every byte of it.
pub(super) fn unchanged(observed: &Observed, desired: &Desired, memory: Memory, span: Span) -> bool {
    let (Some(wanted), Some(held)) = (desired.memory(memory), observed.memory(memory)) else { return false };
    match_of(&wanted.crop(span), &held.bytes, span) == Match::Same
}
