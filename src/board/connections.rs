//! Which pin of a bridge goes to which pin of a board, and what stands in between where their levels differ. Pure.

use super::bridge_kind::{BridgeKind, BridgePin, BridgeSupply, Measurement};
use super::layout::Board;
use super::levels::{LevelFit, near};
use super::parts::{Divider, Fitted, Part, Parts};
use crate::units::Millivolts;

/// Who feeds the board while it is programmed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PoweredBy {
    Board,
    Bridge,
}

/// Everything between one kind of bridge and one board.
#[derive(Clone, Debug, PartialEq)]
pub struct Connections {
    pub fit: LevelFit,
    pub powered_by: PoweredBy,
    /// In the order of the board's header; what goes elsewhere comes last.
    pub wires: Vec<Wire>,
    pub parts: Vec<Part>,
    /// Pins of the header that nothing goes to, by their place in it, and why.
    pub open: Vec<(usize, String)>,
}

/// What a wire is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    Sck,
    Mosi,
    Miso,
    Reset,
    /// Feeds the board.
    Supply,
    /// Lets the bridge measure the board's supply.
    Measurement,
    Ground,
    /// The bridge's clock output, for a chip that lost its clock.
    Clock,
}

const PURPOSES: [Purpose; 8] =
    [Purpose::Sck, Purpose::Mosi, Purpose::Miso, Purpose::Reset, Purpose::Supply, Purpose::Measurement, Purpose::Ground, Purpose::Clock];

/// Which way a signal goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Toward {
    Board,
    Bridge,
    /// Ground has no direction.
    Neither,
}

/// Where a wire ends at the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BoardEnd {
    /// A pin of the programming header, by its place in the board file, from 0.
    Header(usize),
    /// The chip's clock pin, which no header carries.
    ClockPin,
}

/// One connection.
#[derive(Clone, Debug, PartialEq)]
pub struct Wire {
    pub purpose: Purpose,
    pub bridge: BridgePin,
    pub board: BoardEnd,
    pub toward: Toward,
    pub between: Between,
}

/// What stands in a wire.
#[derive(Clone, Debug, PartialEq)]
pub enum Between {
    Nothing,
    Series(Fitted),
    /// `series` in the wire; `to_ground` at the side that the signal goes to.
    Divider {
        series: Fitted,
        to_ground: Fitted,
    },
    /// A transistor that only ever pulls low; each side is pulled up at its own level.
    Transistor {
        part: String,
        gate: String,
        /// At the bridge's side, to the bridge's own level.
        pull_up: Option<Fitted>,
    },
    /// A gate of a buffer that is on only while the bridge holds reset low; `to_ground` keeps the board's side low meanwhile.
    Buffer {
        gate: String,
        to_ground: Option<Fitted>,
    },
}

/// The bridge has no supply that this board bears.
#[derive(Clone, Debug, PartialEq)]
pub struct NoSupply {
    /// Of what it has, the nearest to the board's own level.
    pub nearest: Option<BridgeSupply>,
}

impl Purpose {
    /// What the wire is called.
    pub fn name(self) -> &'static str {
        match self {
            Purpose::Sck => "SCK",
            Purpose::Mosi => "MOSI",
            Purpose::Miso => "MISO",
            Purpose::Reset => "RESET",
            Purpose::Supply => "VCC",
            Purpose::Measurement => "VCC (measured)",
            Purpose::Ground => "GND",
            Purpose::Clock => "CLOCK",
        }
    }

    /// What a board file calls the header's pin.
    fn signal(self) -> &'static str {
        match self {
            Purpose::Measurement => "VCC",
            other => other.name(),
        }
    }
}

impl BridgeKind {
    /// The supply pin that suits a board best; if there is none, what comes nearest.
    ///
    /// # Errors
    /// [`NoSupply`] where none is within the board's range.
    pub fn supply_for(&self, board: &Board) -> Result<&BridgeSupply, NoSupply> {
        // A board whose level follows its supply needs no further parts at the bridge's own level.
        let wanted = if board.level_follows_supply { self.level } else { board.levels };
        let off = |supply: &&BridgeSupply| supply.voltage.0.abs_diff(wanted.0);
        let borne = |supply: &&BridgeSupply| (board.supply.0..=board.supply.1).contains(&supply.voltage);
        let found = self.supplies.iter().filter(borne).min_by_key(off);
        found.ok_or_else(|| NoSupply { nearest: self.supplies.iter().min_by_key(off).cloned() })
    }
}

impl Board {
    /// This board as a drawing takes it. Where its level follows a supply that is not known: the one that the bridge feeds it with, else
    /// the bridge's own level where the board may have that, else what its description says.
    #[must_use]
    pub fn drawn_with(&self, bridge: &BridgeKind, powered_by: PoweredBy) -> Board {
        let fed = bridge.supply_for(self).ok().filter(|_| powered_by == PoweredBy::Bridge).map(|supply| supply.voltage);
        let own = self.possible_levels().into_iter().find(|level| near(bridge.level, *level)).unwrap_or(self.levels);
        match self.level_follows_supply {
            true => self.at_supply(Some(fed.unwrap_or(own))),
            false => self.clone(),
        }
    }
}

impl Connections {
    /// What goes where. The board's level must be known; see [`Board::drawn_with`].
    ///
    /// # Errors
    /// [`NoSupply`] where the bridge should feed the board and cannot.
    pub fn between(bridge: &BridgeKind, board: &Board, powered_by: PoweredBy) -> Result<Connections, NoSupply> {
        let supply = match powered_by {
            PoweredBy::Board => None,
            PoweredBy::Bridge => Some(bridge.supply_for(board)?.pin.clone()),
        };
        let mut making = Making { bridge, board, supply, fit: board.level_fit(bridge.level), parts: Parts::default() };
        let mut purposes = PURPOSES.to_vec();
        purposes.sort_by_key(|purpose| making.place(*purpose).unwrap_or(usize::MAX));
        let wires: Vec<Wire> = purposes.into_iter().filter_map(|purpose| making.wire(purpose)).collect();
        let open = making.open(&wires);
        Ok(Connections { fit: making.fit, powered_by, wires, parts: making.parts.all, open })
    }

    /// The wire for a purpose, if there is one.
    pub fn wire(&self, purpose: Purpose) -> Option<&Wire> {
        self.wires.iter().find(|wire| wire.purpose == purpose)
    }
}

impl Between {
    /// The names of the parts in the wire; a gate of a buffer by the gate's own name.
    pub fn parts(&self) -> Vec<&str> {
        match self {
            Between::Nothing => Vec::new(),
            Between::Series(one) => vec![&one.name],
            Between::Divider { series, to_ground } => vec![&series.name, &to_ground.name],
            Between::Transistor { part, pull_up: None, .. } => vec![part],
            Between::Transistor { part, pull_up: Some(fitted), .. } => vec![part, &fitted.name],
            Between::Buffer { gate, to_ground: None } => vec![gate],
            Between::Buffer { gate, to_ground: Some(fitted) } => vec![gate, &fitted.name],
        }
    }
}

/// The connections in the making.
struct Making<'d> {
    bridge: &'d BridgeKind,
    board: &'d Board,
    /// The bridge's pin that feeds the board.
    supply: Option<BridgePin>,
    fit: LevelFit,
    parts: Parts,
}

impl Making<'_> {
    /// The first pin of the header with a purpose's signal, from 0.
    fn place(&self, purpose: Purpose) -> Option<usize> {
        self.board.header.pins.iter().position(|(signal, _)| signal == purpose.signal())
    }

    /// The wire for a purpose; none where the bridge, the board or whoever feeds it has no use for one.
    fn wire(&mut self, purpose: Purpose) -> Option<Wire> {
        let pins = &self.bridge.pins;
        let measurement = self.bridge.measurement.as_ref();
        let clock = self.bridge.clock_output.as_ref().filter(|_| self.board.clock_pin_wired);
        let (pin, toward) = match purpose {
            Purpose::Sck => (&pins.sck, Toward::Board),
            Purpose::Mosi => (&pins.mosi, Toward::Board),
            Purpose::Reset => (&pins.reset, Toward::Board),
            Purpose::Miso => (&pins.miso, Toward::Bridge),
            Purpose::Ground => (&pins.ground, Toward::Neither),
            Purpose::Supply => (self.supply.as_ref()?, Toward::Board),
            Purpose::Measurement => (&measurement?.pin, Toward::Bridge),
            Purpose::Clock => (clock?, Toward::Board),
        };
        let board = match purpose {
            Purpose::Clock => BoardEnd::ClockPin,
            _ => BoardEnd::Header(self.place(purpose)?),
        };
        let bridge = pin.clone();
        let between = match purpose {
            Purpose::Sck | Purpose::Mosi | Purpose::Clock => self.towards_board(purpose),
            Purpose::Reset => self.reset(),
            Purpose::Miso => self.towards_bridge(),
            Purpose::Measurement => self.measuring(measurement?),
            Purpose::Supply | Purpose::Ground => Between::Nothing,
        };
        Some(Wire { purpose, bridge, board, toward, between })
    }

    /// For a line that the bridge drives.
    fn towards_board(&mut self, purpose: Purpose) -> Between {
        match self.fit {
            LevelFit::Near | LevelFit::Borne => Between::Nothing,
            LevelFit::TooHigh => self.divider(purpose, self.bridge.level, self.board.levels),
            LevelFit::TooLow => {
                let gate = self.parts.buffer_gate(self.bridge.level, self.board.levels);
                let to_ground = (purpose == Purpose::Sck).then(|| self.parts.pull_down());
                Between::Buffer { gate, to_ground }
            }
        }
    }

    /// Reset is pulled up on the board, so a divider would hold the chip in reset for good: a transistor instead.
    fn reset(&mut self) -> Between {
        if self.fit.fits() {
            return Between::Nothing;
        }
        let own_supply = self.bridge.signal_supply().map_or("supply", |supply| supply.pin.name.as_str());
        let (gate, level) = match self.fit {
            LevelFit::TooHigh => ("the board's VCC".to_owned(), self.board.levels),
            _ => (format!("the bridge's {own_supply}"), self.bridge.level),
        };
        let part = self.parts.transistor(self.fit, &gate, level);
        let pull_up = (self.fit == LevelFit::TooLow).then(|| self.parts.pull_up(&gate));
        Between::Transistor { part, gate, pull_up }
    }

    /// For the line that the board drives.
    fn towards_bridge(&mut self) -> Between {
        let (own, pins) = (self.board.levels, self.bridge.level);
        match own > pins && !near(own, pins) {
            true => self.divider(Purpose::Miso, own, pins),
            false if own >= self.bridge.reads_high_from => Between::Nothing,
            false => Between::Buffer { gate: self.parts.translator(own, pins), to_ground: None },
        }
    }

    fn divider(&mut self, purpose: Purpose, from: Millivolts, to: Millivolts) -> Between {
        let found = Divider::least_off(from, to);
        let (series, to_ground) = self.parts.divider(purpose.name(), found);
        Between::Divider { series, to_ground }
    }

    fn measuring(&mut self, found: &Measurement) -> Between {
        match self.parts.measurement(found) {
            (series, None) => Between::Series(series),
            (series, Some(to_ground)) => Between::Divider { series, to_ground },
        }
    }

    fn open(&self, wires: &[Wire]) -> Vec<(usize, String)> {
        let taken = |place: usize| wires.iter().any(|wire| wire.board == BoardEnd::Header(place));
        let pins = self.board.header.pins.iter().enumerate().filter(|(place, _)| !taken(*place));
        pins.map(|(place, (signal, _))| (place, self.why_open(signal).to_owned())).collect()
    }

    fn why_open(&self, signal: &str) -> &'static str {
        match signal {
            "GND" => "ground too; one wire is enough",
            "VCC" if !self.fit.fits() => "the board feeds itself; only the parts here take from it",
            "VCC" => "the board feeds itself",
            _ => "not connected",
        }
    }
}
