//! The parts between a bridge and a board whose levels differ, with the reason for each value.

use super::bridge_kind::Measurement;
use super::levels::LevelFit;
use crate::units::{Millivolts, Ohms};

/// Resistors of the E12 series that a divider is made from, in ohms.
const SERIES_E12: [u32; 9] = [1_000, 1_200, 1_500, 1_800, 2_200, 2_700, 3_300, 3_900, 4_700];
/// What a divider may have together, in ohms: less would load the pin that drives it, more would round the edges off.
const DIVIDER_TOTAL: std::ops::RangeInclusive<u32> = 3_000..=5_700;
/// What a wire with the input at its end is reckoned to hold, in picofarads; from memory: 10 to 15 pF an input and some 30 pF of cable.
const LINE_PF: u64 = 50;
/// Keeps a line where it should be while nothing drives it.
const PULL: Ohms = Ohms(10_000);
/// Supplies of the 74HCT family, in millivolts; from memory: its data books.
const HCT_SUPPLY: std::ops::RangeInclusive<u16> = 4_500..=5_500;
/// What inputs of the 74HCT family surely take for high is 2.0 V; this leaves half a volt. From memory: its data books.
const HCT_HIGH_FROM: u16 = 2_500;

/// A part, and why it is there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Part {
    /// `R1`, `Q1`, `U1`.
    pub name: String,
    pub what: String,
    pub why: String,
}

/// A resistor in a wire.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fitted {
    pub name: String,
    pub ohms: Ohms,
}

/// Two resistors that bring a level down.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Divider {
    pub series: Ohms,
    pub to_ground: Ohms,
    pub from: Millivolts,
    /// What comes out.
    pub gives: Millivolts,
}

impl Divider {
    /// The divider of common resistors that comes nearest to `to` from below; of equals the one with the highest resistance, which loads
    /// the least. `to` is below `from`.
    pub fn least_off(from: Millivolts, to: Millivolts) -> Divider {
        let pairs = SERIES_E12.iter().flat_map(|series| SERIES_E12.iter().map(move |to_ground| (*series, *to_ground)));
        let made = pairs.filter(|(one, other)| DIVIDER_TOTAL.contains(&(one + other))).map(|(one, other)| Divider::of(from, one, other));
        let lowest = Divider::of(from, 4_700, 1_000);
        made.filter(|divider| divider.gives <= to).max_by_key(|divider| (divider.gives, divider.total())).unwrap_or(lowest)
    }

    fn of(from: Millivolts, series: u32, to_ground: u32) -> Divider {
        let gives = u32::from(from.0) * to_ground / (series + to_ground);
        Divider { series: Ohms(series), to_ground: Ohms(to_ground), from, gives: Millivolts(gives as u16) }
    }

    fn total(self) -> u32 {
        self.series.0 + self.to_ground.0
    }

    /// How long an edge takes from a tenth to nine tenths on a wire of [`LINE_PF`], in nanoseconds: 2.2 times resistance times capacitance.
    fn edge_ns(self) -> u64 {
        let parallel = u64::from(self.series.0) * u64::from(self.to_ground.0) / u64::from(self.total());
        22 * parallel * LINE_PF / 10_000
    }

    fn why(self, signal: &str) -> String {
        let current = f64::from(self.from.0) / f64::from(self.total());
        format!(
            "{signal} from {} down to {}: two resistors give the share {} / ({} + {}). They take {current:.1} mA while the line is high, \
             and an edge takes about {} ns with {LINE_PF} pF of wire and input, short enough for a programming clock of 2 MHz.",
            self.from,
            self.gives,
            self.to_ground,
            self.series,
            self.to_ground,
            self.edge_ns()
        )
    }
}

/// Parts as they are called for.
#[derive(Default)]
pub(super) struct Parts {
    pub all: Vec<Part>,
    gates: usize,
    /// Those made already, with the name of the resistor in the wire.
    dividers: Vec<(Divider, String)>,
}

impl Parts {
    fn add(&mut self, letter: char, what: impl Into<String>, why: impl Into<String>) -> String {
        let number = self.all.iter().filter(|part| part.name.starts_with(letter)).count() + 1;
        let name = format!("{letter}{number}");
        self.all.push(Part { name: name.clone(), what: what.into(), why: why.into() });
        name
    }

    fn resistor(&mut self, ohms: Ohms, why: impl Into<String>) -> Fitted {
        Fitted { name: self.add('R', ohms.to_string(), why), ohms }
    }

    pub fn divider(&mut self, signal: &str, found: Divider) -> (Fitted, Fitted) {
        let why = match self.dividers.iter().find(|(done, _)| *done == found) {
            Some((_, name)) => format!("{signal}, as {name}"),
            None => found.why(signal),
        };
        let series = self.resistor(found.series, why);
        self.dividers.push((found, series.name.clone()));
        let to_ground = self.resistor(found.to_ground, format!("the other half of {}", series.name));
        (series, to_ground)
    }

    pub fn measurement(&mut self, found: &Measurement) -> (Fitted, Option<Fitted>) {
        let Some(ground) = found.to_ground else {
            let why = "keeps the current into the measuring pin small while the board has its supply and the bridge has none";
            return (self.resistor(found.series, why), None);
        };
        let series = self.resistor(found.series, "brings the supply within what the measuring pin bears");
        let to_ground = self.resistor(ground, format!("the other half of {}", series.name));
        (series, Some(to_ground))
    }

    pub fn transistor(&mut self, fit: LevelFit, gate: &str, level: Millivolts) -> String {
        let (source, drain) = if fit == LevelFit::TooHigh { ("the board", "the bridge") } else { ("the bridge", "the board") };
        let why = format!(
            "RESET, which the board pulls up: the transistor passes a low and nothing else, so each side has its own high. Source to \
             {source}, drain to {drain}, gate to {gate}. A divider here would hold the chip in reset for good."
        );
        self.add('Q', format!("small N-channel MOSFET that is fully on with {level} at its gate"), why)
    }

    pub fn pull_up(&mut self, supply: &str) -> Fitted {
        let why = format!("from the bridge's RESET pin to {supply}: keeps U1 off while the bridge drives nothing");
        self.resistor(PULL, why)
    }

    pub fn pull_down(&mut self) -> Fitted {
        self.resistor(PULL, "keeps SCK low at the board while U1 is off: the chip must not see a clock then")
    }

    /// A gate of the one buffer for the lines that the bridge drives.
    pub fn buffer_gate(&mut self, from: Millivolts, to: Millivolts) -> String {
        if self.gates == 0 {
            let made_for = HCT_SUPPLY.contains(&to.0) && from.0 >= HCT_HIGH_FROM;
            let what = if made_for { "74HCT125, four buffers with enables" } else { "level translator with enables" };
            let why = format!(
                "takes {from} for high and drives {to}. It is fed from VCC and GND of the header. Its enables, active low, are joined to \
                 the bridge's RESET pin, so that it lets the board's lines go with reset. 100 nF at its supply; inputs that are left over \
                 to GND."
            );
            self.add('U', format!("{what} (from {from} to {to})"), why);
        }
        self.gates += 1;
        format!("U1{}", char::from(b'a' + (self.gates as u8 - 1) % 26))
    }

    /// A translator for the line that the board drives.
    pub fn translator(&mut self, from: Millivolts, to: Millivolts) -> String {
        let why = format!("MISO: the bridge does not surely read {from} as high. Fed from the bridge's side; 100 nF at its supply.");
        self.add('U', format!("level translator from {from} to {to}, one way"), why)
    }
}
