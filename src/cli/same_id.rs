//! The other parts that the chip may be by its ID. Their files are read only where there are some and it matters.

use super::output;
use crate::board::{Catalog, Chip};
use crate::finding::Finding;
use crate::job::JobError;
use crate::plan::{self, Observed, Step, StepKind};

/// What steps that write the configuration would do to another part of the same ID.
pub fn finding<'s>(catalog: &Catalog, before: &[u8], steps: impl Iterator<Item = &'s Step> + Clone, chip: &Chip) -> Option<Finding> {
    let mut kinds = steps.map(|step| &step.kind);
    let writes = kinds.clone().any(|kind| matches!(kind, StepKind::WriteConfiguration { .. }));
    writes.then(|| plan::part_of_same_id(before, &mut kinds, chip, &catalog.others_with_id(chip)))?
}

/// Which other parts have the ID and are not like this one.
pub fn others(catalog: &Catalog, observed: &Observed, chip: &Chip) -> Vec<String> {
    let configuration = observed.configuration.as_deref().unwrap_or_default();
    plan::parts_that_differ(configuration, chip, &catalog.others_with_id(chip)).into_iter().map(str::to_owned).collect()
}

/// What a chip that did not take what was written to its flash may be: another part, whose pages are of another size.
pub fn of_other_pages(catalog: &Catalog, error: &JobError, chip: &Chip) -> Option<String> {
    let JobError::Differs(_) = error else { return None };
    catalog.others_with_id(chip).into_iter().find(|other| other.flash.page != chip.flash.page).map(|other| other.part)
}

/// Says so, where there are any.
pub fn print(others: &[String], chip: &Chip) {
    if !others.is_empty() {
        let has = if others.len() == 1 { "has" } else { "have" };
        let others = others.join(", ");
        let what = format!("{others} {has} it too, and other fuse bits or memories; see that {} is printed on the chip", chip.part);
        output::say_under("Same ID  ", what);
    }
}
