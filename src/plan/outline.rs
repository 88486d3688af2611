//! A plan made without a board. It is another type than a plan, so nothing can carry it out.

use super::reconcile::{Target, steps};
use super::step::{Step, StepKind};
use super::{DesireError, Desired, Intent, LoaderIntent, Observed, Origin, desire, stakes};
use crate::finding::{Finding, Kind, Severity};
use crate::image::{Image, Memory, Span};
use serde::Serialize;

/// What an outline is made on.
#[derive(Clone, Copy, Debug)]
pub enum Basis<'a> {
    /// Any board as its chip is shipped: configuration and lock are known, contents are not, so the worst case is planned.
    Factory,
    /// What a snapshot holds.
    Snapshot(&'a Observed),
}

/// What would be done, as far as it can be told without the board.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Outline {
    pub steps: Vec<OutlineStep>,
    /// Findings that only the board itself can settle.
    pub open: Vec<Kind>,
}

/// A step of an outline.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct OutlineStep {
    #[serde(flatten)]
    pub step: Step,
    /// How many of its bytes are not known yet: they are written back as read then.
    pub as_read_then: u32,
}

/// The plan for any board like `basis`, with the findings that can be told.
///
/// # Errors
/// As [`desire`]; a refusal by the plan's own findings too.
pub fn outline(intent: &Intent, basis: Basis, target: &Target) -> Result<(Outline, Vec<Finding>), DesireError> {
    let baseline = match basis {
        Basis::Factory => shipped(target),
        Basis::Snapshot(observed) => Observed { access: None, ..observed.clone() },
    };
    let factory = matches!(basis, Basis::Factory);
    let open: Vec<Kind> = Kind::ALL.iter().copied().filter(|kind| is_open(*kind, factory, intent, &baseline)).collect();
    let told = |findings: Vec<Finding>| -> Vec<Finding> { findings.into_iter().filter(|finding| !open.contains(&finding.kind)).collect() };
    let (mut desired, findings) = desire(intent, &baseline, target.chip, target.board)?;
    let unknown = if factory { stand_in(&mut desired, target) } else { Vec::new() };
    let steps = steps(&baseline, &desired, target);
    let mut all = told(findings);
    all.extend(told(stakes::of_plan(&baseline, &desired, target, &steps)));
    if all.iter().any(|finding| finding.severity() == Severity::Refuse) {
        return Err(DesireError::Refused(all));
    }
    let steps = steps.into_iter().map(|step| OutlineStep { as_read_then: unknown_bytes(&step, &unknown, target), step }).collect();
    Ok((Outline { steps, open }, all))
}

/// A chip as it is shipped, of which nothing has been read.
fn shipped(target: &Target) -> Observed {
    let chip = target.chip;
    Observed { id: Some(chip.id), configuration: Some(chip.factory_configuration()), lock: Some(chip.lock.factory), ..Observed::nothing() }
}

/// Whether only the board itself can settle this finding. What needs contact with a board always is; what depends on contents
/// is while nothing was read.
fn is_open(kind: Kind, factory: bool, intent: &Intent, baseline: &Observed) -> bool {
    match kind {
        Kind::WrongChip => factory || baseline.id.is_none(),
        Kind::SupplyOutOfRange | Kind::LevelsDiffer | Kind::SettingsChangedSince => true,
        Kind::ApplicationOverlapsReservation => factory && matches!(intent.loader, LoaderIntent::Install(_)),
        Kind::LoaderRemoved => factory && intent.loader == LoaderIntent::Remove,
        Kind::SettingsLost | Kind::ResetIntoEmptyFlash | Kind::ImageUnchanged | Kind::LittleRoomLeft | Kind::UnusedBitsRead => factory,
        Kind::KeptContentsUnreadable | Kind::NoSnapshotPossible => factory,
        _ => false,
    }
}

/// Gives every byte that is not known a stand-in that must be written back. Returns where they are.
fn stand_in(desired: &mut Desired, target: &Target) -> Vec<(Memory, Span)> {
    let mut unknown = Vec::new();
    for (memory, shape) in [(Memory::Flash, target.chip.flash), (Memory::Eeprom, target.chip.eeprom)] {
        let image: &mut Image = if memory == Memory::Eeprom { &mut desired.eeprom } else { &mut desired.flash };
        let gaps = image.gaps(Span::first(shape.bytes));
        gaps.iter().for_each(|gap| image.overwrite(gap.start(), &vec![!shape.blank; gap.len() as usize]));
        desired.paint(memory, &gaps, &Origin::Baseline);
        unknown.extend(gaps.into_iter().map(|gap| (memory, gap)));
    }
    unknown
}

fn unknown_bytes(step: &Step, unknown: &[(Memory, Span)], target: &Target) -> u32 {
    let (memory, pages, page) = match &step.kind {
        StepKind::WriteFlash { pages, .. } => (Memory::Flash, pages, target.chip.flash.page),
        StepKind::WriteEeprom { pages, .. } => (Memory::Eeprom, pages, target.chip.eeprom.page),
        _ => return 0,
    };
    let spans = pages.iter().filter_map(|at| Span::sized(*at, page));
    let in_page = |page: Span| -> u32 {
        let gaps = unknown.iter().filter(|(of, _)| *of == memory);
        gaps.filter_map(|(_, gap)| gap.overlap(page)).map(Span::len).sum()
    };
    spans.map(in_page).sum()
}
