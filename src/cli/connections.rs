//! `farrier connections`: which pin of a bridge goes to which pin of a board, as a table, as a picture and as a drawing to print.

mod picture;
mod svg;
mod table;
mod words;

pub use picture::picture;
pub use svg::svg;
pub use table::{page, page_json};
pub use words::buy_first;

use super::ask;
use super::board_view;
use super::context::{CHOSEN, Context, Given};
use super::images;
use super::output;
use super::stop::Stop;
use crate::board::{Board, BridgeKind, Chip, Connections, NoSupply, PoweredBy, bridge_kind, bridge_kinds};
use crate::plan::supply_out_of_range;
use clap::{Args, ValueEnum};
use std::path::PathBuf;
use std::process::ExitCode;

/// Which pin goes to which, between a bridge and a board.
///
/// A table, a picture, the parts that differing levels need with the reason for each value, and what to mind. Nothing is opened, and no
/// hardware is needed. Says which bridge to buy first, and why.
#[derive(Args, Debug)]
#[command(
    name = "connections",
    after_help = "Example: farrier connections --board vent --bridge atmega328p\n\
                  Example: farrier connections --board frost --bridge atmega328p --powered-by board --svg frost.svg"
)]
pub struct ConnectionsCommand {
    /// The kind of bridge: atmega328p, rp2040 or gpio.
    #[arg(long, value_name = "KIND")]
    pub bridge: Option<String>,
    /// Who feeds the board meanwhile. Never both.
    #[arg(long, value_name = "WHO")]
    pub powered_by: Option<Who>,
    /// Draw it for print, into a new file.
    #[arg(long, value_name = "FILE")]
    pub svg: Option<PathBuf>,
}

#[derive(ValueEnum, Clone, Copy, Debug, PartialEq, Eq)]
pub enum Who {
    /// The board's own supply.
    Board,
    /// The bridge.
    Bridge,
}

/// What is drawn: a bridge, a board, and what goes where between them.
#[derive(Clone, Copy, Debug)]
pub struct Drawn<'d> {
    pub bridge: &'d BridgeKind,
    pub board: &'d Board,
    pub chip: &'d Chip,
    pub connections: &'d Connections,
}

impl ConnectionsCommand {
    /// Prints it.
    ///
    /// # Errors
    /// A board or a bridge that is not known, or a bridge that should feed a board and cannot.
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        self.both_are_known(context)?;
        let ((board, chip), from) = board(context)?;
        let board = board.at_supply(context.global.supply.filter(|_| board.level_follows_supply));
        let bridge = self.bridge()?;
        let (powered_by, assumed) = self.powered_by(&bridge, &board, context.global.json)?;
        let board = board.drawn_with(&bridge, powered_by);
        let connections = Connections::between(&bridge, &board, powered_by).map_err(|none| cannot_feed(&bridge, &board, &chip, none))?;
        let drawn = Drawn { bridge: &bridge, board: &board, chip: &chip, connections: &connections };
        let kinds = bridge_kinds()?;
        if let Some(file) = &self.svg {
            images::write_new(file, svg(&drawn).as_bytes())?;
        }
        match context.global.json {
            true => output::json(&page_json(&drawn)),
            false => {
                board_view::introduce(&board, &chip, from);
                output::line(page(&drawn, &kinds, assumed, self.svg.as_deref(), output::ink()));
            }
        }
        Ok(ExitCode::SUCCESS)
    }

    /// Without a terminal both must be given; what to type is said at once, for both.
    fn both_are_known(&self, context: &Context) -> Result<(), Stop> {
        if ask::somebody_there() || (self.bridge.is_some() && context.board_name().is_some()) {
            return Ok(());
        }
        let kinds: Vec<String> = bridge_kinds()?.into_iter().map(|kind| kind.kind).collect();
        let stop = Stop::usage("connections needs a board and a bridge: --board NAME --bridge KIND")
            .hint(format!("Boards: {}.", context.catalog.names().join(", ")))
            .hint(format!("Bridges: {}.", kinds.join(", ")))
            .hint(buy_first(&bridge_kinds()?, None))
            .hint("For example:");
        let board = context.board_name().unwrap_or("vent");
        let bridge = self.bridge.as_deref().unwrap_or("atmega328p");
        Err(stop.command(format!("farrier connections --board {board} --bridge {bridge}")))
    }

    fn bridge(&self) -> Result<BridgeKind, Stop> {
        if let Some(kind) = &self.bridge {
            return Ok(bridge_kind(kind)?);
        }
        let mut kinds = bridge_kinds()?;
        output::remark(&buy_first(&kinds, None));
        let choices: Vec<String> = kinds.iter().map(|kind| format!("{}: {}", kind.kind, kind.summary)).collect();
        let chosen = ask::choose("Which bridge?", Some("--bridge"), &choices)?;
        Ok(kinds.swap_remove(chosen))
    }

    /// Who feeds the board, and whether that was only assumed.
    fn powered_by(&self, bridge: &BridgeKind, board: &Board, as_json: bool) -> Result<(PoweredBy, bool), Stop> {
        match self.powered_by {
            Some(Who::Board) => Ok((PoweredBy::Board, false)),
            Some(Who::Bridge) => Ok((PoweredBy::Bridge, false)),
            None if as_json || !ask::somebody_there() => Ok((PoweredBy::Board, true)),
            None => {
                let Ok(supply) = bridge.supply_for(board) else { return Ok((PoweredBy::Board, true)) };
                let choices = ["the board's own supply".to_owned(), format!("the bridge, {} from its pin {}", supply.voltage, supply.pin)];
                let chosen = ask::choose("Who feeds the board while it is programmed? Never both.", None, &choices)?;
                Ok((if chosen == 0 { PoweredBy::Board } else { PoweredBy::Bridge }, false))
            }
        }
    }
}

fn board(context: &Context) -> Result<Given, Stop> {
    if let Some(given) = context.given_board()? {
        return Ok(given);
    }
    let names = context.catalog.names();
    let chosen = ask::choose("Which board?", Some("--board"), &names)?;
    Ok((context.catalog.board(&names[chosen])?, CHOSEN))
}

/// The bridge should feed the board, and has no supply that the board bears.
fn cannot_feed(bridge: &BridgeKind, board: &Board, chip: &Chip, none: NoSupply) -> Stop {
    let finding = none.nearest.and_then(|supply| supply_out_of_range(supply.voltage, board, chip));
    Stop::refused(finding.into_iter().collect())
        .hint(format!("A bridge of the kind {} cannot feed this board. Let the board feed itself: --powered-by board", bridge.kind))
}
