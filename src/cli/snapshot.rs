//! `farrier snapshot`.

use super::board_view;
use super::compare;
use super::context::{BY_OPTION, BY_SNAPSHOT, Context, MADE_BY, date};
use super::output;
use super::stop::Stop;
use crate::board::Chip;
use crate::record::{Snapshot as Kept, SnapshotHead, SnapshotInfo};
use clap::{Args, Subcommand};
use serde_json::{Value, json};
use std::path::PathBuf;
use std::process::ExitCode;

/// Record what a board holds, and look at such records.
#[derive(Subcommand, Debug)]
#[command(after_help = "Example: farrier snapshot take --via sim:vent --tag 1187")]
pub enum Snapshot {
    Take(Take),
    List(List),
    Show(Show),
    Compare(Compare),
}

/// Read everything that can be read and keep it.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier snapshot take --via sim:vent --tag 1187")]
pub struct Take {
    /// The folder to keep it in, instead of your own snapshots folder.
    pub dir: Option<PathBuf>,
}

/// List the snapshots, oldest first; with --board or --tag those of a board.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier snapshot list")]
pub struct List {}

/// Show what a snapshot holds.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier snapshot show 2026-11-25-090001-vent")]
pub struct Show {
    /// Its name, or the path of its folder.
    pub name: String,
}

/// Say what two snapshots hold differently: exit code 1 where they do.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier snapshot compare 2026-11-25-090001-vent 2026-11-26-101500-vent")]
pub struct Compare {
    /// One snapshot: its name, or the path of its folder.
    pub first: String,
    /// The other.
    pub second: String,
}

impl Snapshot {
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        match self {
            Snapshot::Take(take) => take.run(context),
            Snapshot::List(_) => list(context),
            Snapshot::Show(Show { name }) => show(context, &context.snapshots().load(&name)?, BY_SNAPSHOT),
            Snapshot::Compare(Compare { first, second }) => {
                let shelf = context.snapshots();
                compare::run(context, &shelf.load(&first)?, &shelf.load(&second)?)
            }
        }
    }
}

impl Take {
    fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        let mut connected = context.connect()?;
        let observed = connected.observe()?;
        let shelf = self.dir.map_or_else(|| context.snapshots(), crate::record::Snapshots::open);
        let info = info(context, &connected.board.name, &connected.chip, &connected.via, connected.simulated());
        let name = shelf.save(&observed, &info)?;
        let kept = shelf.load(shelf.path(&name))?;
        let from = connected.board_from;
        connected.close()?;
        show(context, &kept, from)
    }
}

/// What a snapshot taken now says of itself.
pub fn info(context: &Context, board: &str, chip: &Chip, via: &str, simulated: bool) -> SnapshotInfo {
    SnapshotInfo {
        board: board.to_owned(),
        chip: chip.part.clone(),
        tag: context.global.tag.clone(),
        date: date(),
        made_by: MADE_BY.to_owned(),
        bridge: via.to_owned(),
        before_change: false,
        simulated,
        flash_bytes: chip.flash.bytes,
        eeprom_bytes: chip.eeprom.bytes,
    }
}

/// Shows a snapshot.
///
/// # Errors
/// When its board or chip is not in the catalog any more.
pub fn show(context: &Context, kept: &Kept, from: &str) -> Result<ExitCode, Stop> {
    let info = &kept.head.info;
    let ((board, chip), from) = match context.named_board()? {
        Some(named) => (named, BY_OPTION),
        None => (context.catalog.board(&info.board)?, from),
    };
    if context.global.json {
        let mut document = board_view::as_json(&kept.observed, &board, &chip);
        document["name"] = kept.name().into();
        document["path"] = kept.path.display().to_string().into();
        document["snapshot"] = head_json(&kept.head);
        output::json(&document);
        return Ok(ExitCode::SUCCESS);
    }
    board_view::introduce(&board, &chip, from);
    if info.simulated {
        output::say("SIMULATED: read from a simulated board.");
    }
    let tag = info.tag.as_deref().map(|tag| format!(", tag {tag}")).unwrap_or_default();
    let when = humantime::format_rfc3339_seconds(info.date);
    output::say_under("Snapshot ", format!("{}, taken {when} through {} by {}{tag}", kept.name(), info.bridge, info.made_by));
    output::line(format!("Folder   {}", kept.path.display()));
    for missing in &kept.head.missing {
        output::say_under("Missing  ", format!("{}: {}", missing.what, missing.reason));
    }
    board_view::print(&kept.observed, &board, &chip);
    output::next(format!("farrier inspect --via {}", info.bridge));
    Ok(ExitCode::SUCCESS)
}

pub fn head_json(head: &SnapshotHead) -> Value {
    let info = &head.info;
    let missing: Vec<Value> = head.missing.iter().map(|m| json!({"what": m.what, "reason": m.reason})).collect();
    json!({
        "board": info.board, "chip": info.chip, "tag": info.tag, "date": humantime::format_rfc3339_seconds(info.date).to_string(),
        "made_by": info.made_by, "bridge": info.bridge, "simulated": info.simulated, "complete": head.is_complete(), "missing": missing,
    })
}

fn list(context: &Context) -> Result<ExitCode, Stop> {
    let wanted = |listed: &crate::record::ListedSnapshot| {
        let is = |wanted: &Option<String>, found: Option<&str>| wanted.as_deref().is_none_or(|wanted| found == Some(wanted));
        let (board, tag) = (&context.global.board, &context.global.tag);
        // One that cannot be read may be of any board.
        listed.head.as_ref().map_or(true, |head| is(board, Some(&head.info.board)) && is(tag, head.info.tag.as_deref()))
    };
    let all: Vec<_> = context.snapshots().list()?.into_iter().filter(wanted).collect();
    if context.global.json {
        let row = |listed: &crate::record::ListedSnapshot| match &listed.head {
            Ok(head) => json!({"name": listed.name, "snapshot": head_json(head)}),
            Err(why) => json!({"name": listed.name, "error": why.to_string()}),
        };
        output::json(&json!({ "snapshots": all.iter().map(row).collect::<Vec<_>>() }));
        return Ok(ExitCode::SUCCESS);
    }
    let Some(last) = all.last() else {
        output::say("There are no such snapshots.");
        output::next(format!("farrier snapshot take{}", context.somewhere()));
        return Ok(ExitCode::SUCCESS);
    };
    output::line(format!("{:<44} {:<14} {:<18} {:<10} tag", "snapshot", "chip", "through", "complete"));
    for listed in &all {
        match &listed.head {
            Ok(head) => {
                let complete = if head.is_complete() { "yes" } else { "no" };
                let (info, tag) = (&head.info, head.info.tag.as_deref().unwrap_or("-"));
                output::line(format!("{:<44} {:<14} {:<18} {complete:<10} {tag}", listed.name.as_str(), info.chip, info.bridge));
            }
            Err(why) => output::say_under(&format!("{:<44} ", listed.name.as_str()), why.to_string()),
        }
    }
    output::next(format!("farrier snapshot show {}", last.name.as_str()));
    Ok(ExitCode::SUCCESS)
}
