//! What a board's flash can be compared with: images that the journal's jobs wrote, images that are built in, snapshots.

use crate::board::{DemoApplication, demo_applications, is_loader};
use crate::diagnosis::{From, Kept, Known};
use crate::image::{Image, Memory};
use crate::plan::{Origin, Plan};
use crate::record::{Job, JobId, Journal, RecordError, Snapshots};
use std::time::SystemTime;

/// How many jobs, and how many snapshots, are looked through, newest first.
const LOOKED_THROUGH: usize = 20;

/// The images that jobs wrote to boards with this part, newest first, then those that come with the demo boards.
///
/// # Errors
/// When the journal cannot be read.
pub fn known_images(journal: &Journal, part: &str) -> Result<Vec<Known>, RecordError> {
    let mut all: Vec<Known> = Vec::new();
    let demos = demo_applications();
    // One that was built for another chip is not this one's because a job has written it to one.
    let of_another = |known: &Known| demos.iter().any(|demo| demo.part != part && demo.image == known.image);
    let jobs = journal.jobs()?;
    for Job { id, begun, .. } in jobs.into_iter().rev().filter(|job| job.chip == part).take(LOOKED_THROUGH) {
        all.extend(written(&journal.job(id)?.plan, id, begun).into_iter().filter(|known| !of_another(known)));
    }
    all.extend(demos.iter().cloned().map(demo));
    Ok(all)
}

/// Snapshots of boards with this part, newest first. One that cannot be read does not hide the others.
///
/// # Errors
/// When the folder of snapshots cannot be read.
pub fn kept_snapshots(snapshots: &Snapshots, part: &str) -> Result<Vec<Kept>, RecordError> {
    let of_part = snapshots.list()?.into_iter().rev().filter(|listed| listed.head.as_ref().is_ok_and(|head| head.info.chip == part));
    let loaded = of_part.take(LOOKED_THROUGH).filter_map(|listed| snapshots.load(snapshots.path(&listed.name)).ok());
    Ok(loaded.map(|kept| Kept::of(kept.name(), &kept.head.info.chip, kept.head.info.tag.as_deref(), kept.observed)).collect())
}

/// Stands in the name of an image that an earlier job is known by, where a job has put back what that one wrote.
const NAMED_BY_JOB: &str = " (job ";

/// The images that a job's plan puts into the flash; loaders that are built in are known anyway.
fn written(plan: &Plan, job: JobId, begun: SystemTime) -> Vec<Known> {
    let mut found: Vec<(&str, Image)> = Vec::new();
    for (memory, span, origin) in &plan.desired().origins {
        let Origin::Image(name) = origin else { continue };
        if *memory != Memory::Flash || is_loader(name) {
            continue;
        }
        let part = plan.desired().flash.crop(*span);
        match found.iter_mut().find(|(known, _)| known == name) {
            Some((_, image)) => image.overlay(&part),
            None => found.push((name, part)),
        }
    }
    let day = humantime::format_rfc3339_seconds(begun).to_string();
    let day = day.get(..10).unwrap_or_default();
    let called = |name: &str| format!("{} (job {job}, {day})", name.split(NAMED_BY_JOB).next().unwrap_or(name));
    found.into_iter().map(|(name, image)| Known { name: called(name), image, from: From::Job(job.0) }).collect()
}

fn demo(DemoApplication { board, part, image }: DemoApplication) -> Known {
    Known { name: format!("the demo application of board {board}"), image, from: From::Demo { board, chip: part } }
}
