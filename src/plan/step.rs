//! A plan: the ordered steps from what was observed to what is desired.

use super::Desired;
use crate::image::{ByteAddress, Memory, Span};
use crate::units::Hertz;
use serde::{Deserialize, Serialize};
use std::time::Duration;

/// The steps to a desired state. Made only by reconciling an observed state with a desired one.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Plan {
    pub(super) desired: Desired,
    pub(super) steps: Vec<Step>,
}

/// One step.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Step {
    pub kind: StepKind,
    /// How many bytes it writes or reads back.
    pub bytes: u32,
    /// Why it is there, as half a sentence.
    pub reason: String,
    /// How long it should take.
    pub estimate: Duration,
}

/// How fast a way in is: what estimates rest on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pace {
    /// The programming clock that the bridge makes.
    pub programming_clock: Hertz,
    /// What the link between host and bridge carries in a second.
    pub bytes_per_second: u32,
}

/// What a step does. Bytes are those of the desired state.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StepKind {
    /// Bring the chip into programming mode; with `slowest_first` after a change of its clock.
    Enter { slowest_first: bool },
    /// Chip erase.
    Erase,
    /// Write these flash pages (first addresses), all inside `span`, which is called `region`.
    WriteFlash { region: String, span: Span, pages: Vec<ByteAddress> },
    /// Write these EEPROM pages (first addresses).
    WriteEeprom { span: Span, pages: Vec<ByteAddress> },
    /// Write one configuration byte.
    WriteConfiguration { byte: usize, value: u8 },
    /// Write the lock byte.
    WriteLock { value: u8 },
    /// Read back and compare with the desired state: these spans, and the configuration and lock where said.
    Verify { spans: Vec<(Memory, Span)>, configuration: bool, lock: bool },
    /// Let the chip go: the firmware starts.
    Release,
}

impl StepKind {
    /// Whether the board may hold something else afterwards.
    pub fn changes_board(&self) -> bool {
        !matches!(self, StepKind::Enter { .. } | StepKind::Verify { .. } | StepKind::Release)
    }
}

impl Plan {
    pub fn desired(&self) -> &Desired {
        &self.desired
    }

    pub fn steps(&self) -> &[Step] {
        &self.steps
    }

    /// Whether the board is as desired already.
    pub fn changes_nothing(&self) -> bool {
        self.steps.is_empty()
    }

    pub fn estimate(&self) -> Duration {
        self.steps.iter().map(|step| step.estimate).sum()
    }
}
