//! Whether a bridge may drive a board at all. Before any line is driven: a level that the board does not bear harms it, whatever the
//! command was going to do.

use super::context::Context;
use super::output;
use super::stop::Stop;
use super::typed::{command_again, quoted};
use crate::algorithm::avr_spi::{AvrSpi, Wiring};
use crate::board::{Board, Chip, bridge_kinds, near};
use crate::bus::Bus;
use crate::finding::{Finding, Kind};
use crate::job::JobError;
use crate::plan::{levels_differ, supply_out_of_range};
use crate::units::Millivolts;

/// The board with what is known of its levels. Where the bridge measures the supply, that decides; where it cannot, `--supply`; without
/// either, the description, and what is not known is said.
///
/// # Errors
/// The levels differ, or the bridge's error.
pub fn fit(context: &Context, bus: &mut dyn Bus, board: Board, chip: &Chip) -> Result<Board, Stop> {
    let pins = bus.abilities().pin_level;
    let described = levels_differ(pins, None, &board).filter(|_| !board.level_follows_supply);
    if let Some(differ) = described {
        return Err(refused(context, vec![differ], &board, pins));
    }
    let Some(measured) = measured_supply(bus, chip)? else { return unmeasured(context, pins, &board) };
    match context.global.supply {
        Some(given) if !near(given, measured) => {
            return Err(Stop::usage(format!("--supply says {given}, and the bridge measures {measured}")).hint("Leave --supply out."));
        }
        _ => {}
    }
    // Without a supply no line is driven, and what the command goes on to say is that there is none.
    let differ = levels_differ(pins, Some(measured), &board).filter(|_| !Wiring::is_no_supply(measured));
    match differ {
        None => Ok(board),
        Some(differ) => {
            let findings = supply_out_of_range(measured, &board, chip).into_iter().chain([differ]).collect();
            Err(refused(context, findings, &board, pins))
        }
    }
}

fn unmeasured(context: &Context, pins: Millivolts, board: &Board) -> Result<Board, Stop> {
    let board = board.at_supply(context.global.supply);
    if let Some(differ) = levels_differ(pins, None, &board) {
        return Err(refused(context, vec![differ], &board, pins));
    }
    if board.level_follows_supply {
        output::remark(&format!(
            "The VCC of {} is not known: this bridge cannot measure it. It must be near the {pins} of the bridge's pins; see with a \
             meter at the programming header, and say what it shows with --supply. A higher one harms the bridge over MISO.",
            board.name
        ));
    }
    Ok(board)
}

fn refused(context: &Context, findings: Vec<Finding>, board: &Board, pins: Millivolts) -> Stop {
    // Other parts between bridge and board do not help a supply that is wrong.
    if findings.iter().any(|finding| finding.kind == Kind::SupplyOutOfRange) {
        let stop = Stop::refused(findings);
        let stop = match context.global.via.as_deref().and_then(|via| via.strip_prefix("sim:")) {
            Some(sim) => stop
                .hint("The hand that puts the supply of this simulated board right:")
                .command(format!("farrier sim repair {}", quoted(sim))),
            None => stop,
        };
        return stop.hint("Once the supply is right:").command(command_again(&[]));
    }
    let kind = bridge_kinds().ok().and_then(|kinds| kinds.into_iter().find(|kind| near(kind.level, pins)));
    let kind = kind.map_or("KIND".to_owned(), |kind| kind.kind);
    let name = context.global.board.as_deref().unwrap_or(&board.name);
    Stop::refused(findings).hint("Which parts, and where:").command(format!("farrier connections --board {name} --bridge {kind}"))
}

/// The board's supply, where the bridge measures it. A bridge may begin anew just then.
fn measured_supply(bus: &mut dyn Bus, chip: &Chip) -> Result<Option<Millivolts>, Stop> {
    let mut spi = AvrSpi::new(bus, chip);
    let measured = match spi.supply() {
        Err(error) if error.restarted() => spi.supply(),
        result => result,
    };
    measured.map_err(|error| JobError::from(error).into())
}
