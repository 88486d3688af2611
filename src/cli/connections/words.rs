//! The sentences beside a drawing; the text page, the printed drawing and the JSON show the same ones.

use super::Drawn;
use crate::board::{Between, Board, BridgeKind, FirmwareWay, LevelFit, PoweredBy, Purpose, Wire, near};

/// Who feeds the board.
pub fn supply(drawn: &Drawn) -> String {
    let Drawn { bridge, board, connections, .. } = drawn;
    let (least, most) = board.supply;
    let measured = match connections.wire(Purpose::Measurement) {
        Some(wire) => format!("The bridge measures it at {}.", wire.bridge.name),
        None => format!("The bridge cannot measure it: see with a meter that VCC has {least} to {most}."),
    };
    match (connections.powered_by, bridge.supply_for(board)) {
        (PoweredBy::Bridge, Ok(supply)) => format!(
            "The bridge feeds the board with {} from its pin {} ({}). Take every other supply off the board first. {measured}",
            supply.voltage, supply.pin, supply.words
        ),
        _ => format!("The board feeds itself, {least} to {most}. No pin of the bridge may feed it as well. {measured}"),
    }
}

/// Whether the levels go together, and what follows.
pub fn levels(drawn: &Drawn) -> String {
    let Drawn { bridge, board, connections, .. } = drawn;
    let (pins, own) = (bridge.level, board.levels);
    let text = match connections.fit {
        LevelFit::Near => format!("Pins of {pins} on a board with {own}: wires alone do."),
        LevelFit::Borne => format!("The bridge's pins are at {pins}, the board's at {own}; its inputs bear 5 V, so wires alone do."),
        LevelFit::TooHigh => format!("The bridge's pins are at {pins}, and the board's inputs, at {own}, do not bear that. {REFUSED}"),
        LevelFit::TooLow => {
            format!("The bridge's pins are at {pins}, which the board's inputs, at {own}, do not surely take for high. {REFUSED}")
        }
    };
    let straight = connections.wire(Purpose::Miso).is_some_and(|wire| wire.between == Between::Nothing);
    match straight && !near(own, pins) {
        true => format!("{text} MISO comes back at {own}; the bridge reads it as high from {} on.", bridge.reads_high_from),
        false => text,
    }
}

const REFUSED: &str = "Without the parts drawn here Farrier refuses the job (levels-differ); once they are fitted, add --levels-shifted \
                       to the command.";

/// What to know besides, a sentence or two each.
pub fn notes(drawn: &Drawn) -> Vec<String> {
    let Drawn { bridge, board, connections, .. } = drawn;
    let mut notes = vec!["Keep the wires short, 20 cm at most, with GND beside SCK. Join GND first and take it off last.".to_owned()];
    if connections.wires.iter().any(loads) {
        notes.push("The resistors to GND load the lines for as long as they hang there: take the bridge off when the work is done.".into());
    }
    notes.extend(clock(drawn));
    if board.generic {
        notes.push(format!(
            "The chip's pins are at whatever its VCC is: this is drawn for {}. For another supply add --supply, as --supply 3.3.",
            board.levels
        ));
        notes.push(
            "On a bare chip join every VCC, AVCC and GND pin, with 100 nF beside each pair, and put 10 kilohm between RESET and VCC."
                .into(),
        );
    }
    if let Some(hold) = &bridge.reset_hold {
        notes.push(format!("{} between {} and {} on the bridge board: {}", hold.ohms, hold.from, hold.to, hold.words));
    }
    notes.extend(bridge.left_open.iter().map(|(pin, why)| format!("Connect nothing to {pin}: {why}.")));
    notes.extend(bridge.cautions.iter().cloned());
    notes
}

fn loads(wire: &Wire) -> bool {
    wire.purpose != Purpose::Measurement && matches!(wire.between, Between::Divider { .. } | Between::Buffer { to_ground: Some(_), .. })
}

fn clock(drawn: &Drawn) -> Option<String> {
    let pin = drawn.bridge.clock_output.as_ref().filter(|_| drawn.chip.takes_a_clock())?;
    Some(match drawn.connections.wire(Purpose::Clock) {
        Some(_) => "Join CLOCK only to bring back a chip that lost its clock, and take it off afterwards: what hangs on the clock pin can \
                    stop a crystal."
            .into(),
        None => format!(
            "{pin} gives a clock to a chip that lost its own: join it to the chip's clock pin (XTAL1) for that job only, and add \
             --clock-output."
        ),
    })
}

/// Which bridge to buy first, and why: for one board, or for any. A line each.
pub fn buy_first(kinds: &[BridgeKind], board: Option<&Board>) -> String {
    let Some(board) = board else {
        let bought = kinds.iter().filter(|kind| kind.firmware != FirmwareWay::None);
        let each = bought.map(|kind| format!("\n  for boards at {}: {}", kind.level, reason(kind)));
        return format!("Which bridge to buy first:{}", each.collect::<String>());
    };
    match kinds.iter().find(|kind| board.level_fit(kind.level).fits()) {
        Some(kind) => format!("To buy first for this board: {}", reason(kind)),
        None => "No kind of bridge fits this board without parts in between.".to_owned(),
    }
}

fn reason(kind: &BridgeKind) -> String {
    format!("{}, {}, {}: {}", kind.kind, kind.summary, kind.buy.price, kind.buy.why)
}
