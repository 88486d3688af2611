//! What was seen of a bridge and a board: the evidence that a diagnosis rests on.

use crate::algorithm::avr_spi::NoAnswer;
use crate::finding::Finding;
use crate::image::Image;
use crate::plan::Observed;
use crate::units::Millivolts;

/// What was seen.
#[derive(Clone, Debug)]
pub struct Seen {
    /// What the bridge calls itself.
    pub bridge: String,
    /// Level of its pins.
    pub pin_level: Millivolts,
    pub answer: Answer,
}

/// What became of looking for the chip.
#[derive(Clone, Debug)]
pub enum Answer {
    /// It answered, and what could be read was read.
    Read(Box<Observed>),
    /// No entry succeeded.
    Silent(Box<NoAnswer>),
    /// It was not tried: no line of this board may be driven, for this reason.
    NotDriven { supply: Option<Millivolts>, finding: Finding },
    /// It answered, and then something else came back; the text is the error's.
    Unsteady(String),
}

/// An image that is known, and what is known of it.
#[derive(Clone, Debug)]
pub struct Known {
    /// As sentences call it.
    pub name: String,
    pub image: Image,
    pub from: From,
}

/// Where a known image comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum From {
    /// The command line says that it should be there.
    Wanted,
    /// This job of the journal wrote it to a board of this kind.
    Job(i64),
    /// It comes with the demo board of this name.
    Demo { board: String, chip: String },
}
