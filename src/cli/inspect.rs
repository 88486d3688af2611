//! `farrier inspect`.

use super::board_view;
use super::context::{BY_SNAPSHOT, Context};
use super::images;
use super::inspect_image;
use super::known::{self, KnownJobs};
use super::output::{self, Offer};
use super::stop::{Stop, wiring_json};
use super::{same_id, snapshot, typed};
use crate::board::{Board, Chip, Reservation};
use crate::diagnosis;
use crate::image::{ByteAddress, write};
use crate::plan::Observed;
use clap::Args;
use std::path::PathBuf;
use std::process::ExitCode;

/// Look at a board, an image file or a snapshot. Nothing is changed.
///
/// Without a file: the board behind --via; its chip, loader, room, settings and configuration in words.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier inspect --via sim:vent\nExample: farrier inspect vent.elf --board vent --write-hex vent.hex")]
pub struct Inspect {
    /// An image file, or the name or folder of a snapshot.
    #[arg(value_name = "FILE|SNAPSHOT")]
    pub what: Option<String>,
    /// Where a raw binary image begins.
    #[arg(long, value_name = "ADDRESS", value_parser = images::address)]
    pub at: Option<ByteAddress>,
    /// Write the image's flash as Intel HEX to a new file.
    #[arg(long, value_name = "FILE", requires = "what")]
    pub write_hex: Option<PathBuf>,
    /// Write the image's flash as raw binary to a new file.
    #[arg(long, value_name = "FILE", requires = "what")]
    pub write_bin: Option<PathBuf>,
    /// What gaps become in raw binary.
    #[arg(long, value_name = "BYTE", value_parser = images::byte, default_value = "0xFF")]
    pub fill: u8,
}

impl Inspect {
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        let Some(what) = &self.what else { return on_board(context) };
        if let Ok(kept) = context.snapshots().load(what) {
            return snapshot::show(context, &kept, BY_SNAPSHOT);
        }
        self.image(context, what)
    }

    fn image(&self, context: &Context, path: &str) -> Result<ExitCode, Stop> {
        let file = images::load(path, self.at)?;
        let named = context.named_board()?;
        if let Some(to) = &self.write_hex {
            images::write_new(to, &write::hex(file.flash()))?;
        }
        if let Some(to) = &self.write_bin {
            images::write_new(to, &write::binary(file.flash(), self.fill).map_err(|why| Stop::usage(why.to_string()))?.bytes)?;
        }
        if context.global.json {
            output::json(&inspect_image::json(path, &file));
            return Ok(ExitCode::SUCCESS);
        }
        let on = named.as_ref().map(|(board, chip)| (board, chip));
        for line in inspect_image::text(path, &file, on, output::WIDTH, output::ink()) {
            output::line(line);
        }
        let at = self.at.map(|at| format!(" --at {at}")).unwrap_or_default();
        output::next(format!("farrier write {}{at} --via WHERE", typed::quoted(path)));
        Ok(ExitCode::SUCCESS)
    }
}

/// Sets what the chip has otherwise than the board file expects; a loader brings that with it.
fn configure(board: &Board, chip: &Chip, observed: &Observed, via: &str) -> Option<Offer> {
    let now = observed.configuration.as_deref().filter(|_| board.reservation.is_none())?;
    let wanted = chip.decode(&board.expected_configuration(chip, now));
    let differ = chip.decode(now).into_iter().zip(wanted).filter(|(now, wanted)| now.bits != wanted.bits);
    let fields: Vec<String> = differ.map(|(_, wanted)| format!(" {}={}", wanted.field.name, wanted.name())).collect();
    let command = format!("farrier configure{} --via {via}", fields.concat());
    (!fields.is_empty()).then_some((command, "set the chip as the board file expects it"))
}

/// What suits a board with or without a loader.
fn next(board: &Board, has_loader: bool, via: &str) -> Vec<Offer> {
    let write = (format!("farrier write APPLICATION --via {via}"), "an application, through the programming header");
    let install = format!("farrier loader install --via {via}");
    match &board.reservation {
        _ if has_loader => vec![write, (format!("farrier loader remove --via {via}"), "take the loader off")],
        None => vec![write],
        Some(Reservation { loader: None, .. }) => vec![write, (format!("{install} --loader FILE"), "fit a loader of your own")],
        Some(_) => vec![
            (install.clone(), "fit the loader"),
            (format!("{install} --with APPLICATION"), "and write an application in the same job"),
            write,
        ],
    }
}

fn on_board(context: &Context) -> Result<ExitCode, Stop> {
    let mut connected = context.connect()?;
    let (wiring, observed) = connected.measure_and_observe()?;
    let (board, chip) = (&connected.board, &connected.chip);
    let simulated = connected.simulated();
    if let Some(finding) = observed.id.and_then(|id| crate::plan::wrong_chip(id, chip)) {
        if !context.global.json {
            board_view::introduce(board, chip, connected.board_from);
            output::simulated(simulated);
        }
        let all = typed::command_for_this_board("revive");
        return Err(Stop::refused(vec![finding]).hint("All that was seen, and what it rules out:").command(all));
    }
    let known = KnownJobs::look(context, &observed, chip);
    // A journal that cannot be read was told of by now.
    let images = known::images(context, &chip.part).unwrap_or_default();
    let held = diagnosis::held_image(&observed.flash.bytes, board.application(chip), chip.flash.blank, &images);
    let others = same_id::others(&context.catalog, &observed, chip);
    if context.global.json {
        let mut document = board_view::as_json(&observed, board, chip);
        document["simulated"] = simulated.into();
        document["bridge"] = connected.bus.abilities().name.as_str().into();
        document["pin_level_mv"] = connected.bus.abilities().pin_level.0.into();
        document["wiring"] = wiring_json(&wiring);
        document["known"] = known.as_json();
        document["parts_of_same_id"] = others.as_slice().into();
        document["application"]["is"] = held.map(|held| held.name.as_str()).into();
        output::json(&document);
    } else {
        board_view::introduce(board, chip, connected.board_from);
        output::simulated(simulated);
        same_id::print(&others, chip);
        let abilities = connected.bus.abilities();
        output::say_under("Bridge   ", format!("{}, pins at {}, through {}", abilities.name, abilities.pin_level, connected.via));
        output::say_under("Lines    ", wiring.lines.map_or("not driven".into(), |lines| lines.to_string()));
        if let Some(known) = known.words() {
            output::say_under("Known    ", known);
        }
        if let Some(held) = held {
            output::say_under("Holds    ", format!("every byte of {}; the rest of the application's room is blank", held.name));
        }
        board_view::print(&observed, board, chip);
        let via = typed::at(&connected.via);
        let mut offers = match observed.flash.unreadable {
            Some(_) => vec![(format!("farrier revive --via {via}"), "what can be done about it")],
            None => next(board, board_view::has_loader(&observed, board, chip), &via),
        };
        offers.extend(configure(board, chip, &observed, &via));
        output::next_of(&offers);
    }
    connected.close()?;
    Ok(ExitCode::SUCCESS)
}
