//! Faults by name: what people type and what a simulated board keeps on disk.

use crate::units::Millivolts;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// Something wrong with a simulated board. Its text is `name` or `name=value`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum Fault {
    /// MISO does not reach the bridge.
    OpenMiso,
    /// MOSI and MISO are joined: each byte comes back as it was sent.
    ShortedData,
    /// MOSI and MISO are crossed.
    SwappedData,
    /// Something holds a line at a level (`true`: high), whatever the bridge drives.
    HeldLine(HeldLine, bool),
    /// The board has no supply.
    NoPower,
    /// The supply has another voltage. Below 1.8 V the chip does not answer.
    WrongSupply(Millivolts),
    /// The bridge's pins have another level than the board.
    WrongLevel(Millivolts),
    /// Another part is fitted: its ID bytes.
    OtherChip([u8; 3]),
    /// The clock fuses select a clock that nothing feeds. Changes the fuses, so repairing by fuses is possible.
    LostClock,
    /// Lock bits are programmed: mode 2 (no writing) or 3 (no reading either). Changes the lock byte.
    LockedChip(u8),
    /// The supply has this voltage, and gives way under load: no self-timed write is done in full. Below 1.8 V the chip does not answer.
    WeakSupply(Millivolts),
    /// The plug of the bridge's cable is turned round: each of its wires ends where the pin on the other side belongs.
    ReversedCable,
    /// While the brown-out detector holds the chip in reset, it does not answer either. Whether silicon does is not established.
    DeafInBrownOut,
    /// Cells of this flash page do not hold what is written.
    WeakCells(u32),
    /// The supply is lost once, right after so many more bus operations. Then the fault is gone.
    PowerCut(u64),
    /// The same, after so many SPI instructions of four bytes, also in the middle of an operation.
    PowerCutInstructions(u64),
}

/// A line that a bridge drives and something else may hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HeldLine {
    Reset,
    Sck,
    Mosi,
}

impl HeldLine {
    /// Line and level as texts say them.
    const FORMS: [(HeldLine, bool, &str); 6] = [
        (HeldLine::Reset, false, "reset-low"),
        (HeldLine::Reset, true, "reset-high"),
        (HeldLine::Sck, false, "sck-low"),
        (HeldLine::Sck, true, "sck-high"),
        (HeldLine::Mosi, false, "mosi-low"),
        (HeldLine::Mosi, true, "mosi-high"),
    ];

    fn text(self, level: bool) -> &'static str {
        HeldLine::FORMS.iter().find(|(line, high, _)| (*line, *high) == (self, level)).map_or("", |(.., text)| text)
    }

    fn parse(text: Option<&str>) -> Result<Fault, String> {
        let form = HeldLine::FORMS.iter().find(|(.., form)| text == Some(form));
        form.map(|(line, high, _)| Fault::HeldLine(*line, *high))
            .ok_or_else(|| format!("it is one of {}", HeldLine::FORMS.map(|(.., text)| text).join(", ")))
    }
}

/// A fault text that means nothing.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("'{text}' is not a fault of the sim: {why}.\nFaults:\n  {}", Fault::FORMS.join("\n  "))]
pub struct FaultError {
    pub text: String,
    pub why: String,
}

impl Fault {
    /// Every fault as it is written.
    pub const FORMS: &[&str] = &[
        "open-miso",
        "shorted-data",
        "swapped-data",
        "held-line=LINE-LEVEL",
        "no-power",
        "wrong-supply=MILLIVOLTS",
        "wrong-level=MILLIVOLTS",
        "weak-supply=MILLIVOLTS",
        "reversed-cable",
        "deaf-in-brown-out",
        "other-chip[=ID-BYTES]",
        "lost-clock",
        "locked-chip[=MODE]",
        "weak-cells=PAGE",
        "power-cut=OPERATIONS",
        "power-cut-instructions=N",
    ];

    fn parse(text: &str) -> Result<Fault, String> {
        let (name, value) = match text.split_once('=') {
            Some((name, value)) => (name, Some(value)),
            None => (text, None),
        };
        let fault = match name {
            "wrong-supply" => return number(value).map(|mv| Fault::WrongSupply(Millivolts(mv))),
            "wrong-level" => return number(value).map(|mv| Fault::WrongLevel(Millivolts(mv))),
            "weak-supply" => return number(value).map(|mv| Fault::WeakSupply(Millivolts(mv))),
            "other-chip" => return id_bytes(value.unwrap_or("1E9307")).map(Fault::OtherChip),
            "held-line" => return HeldLine::parse(value),
            "locked-chip" => {
                let mode = value.map_or(Ok(3), |_| number(value))?;
                return if (2..=3).contains(&mode) { Ok(Fault::LockedChip(mode)) } else { Err("the lock mode is 2 or 3".into()) };
            }
            "weak-cells" => return number(value).map(Fault::WeakCells),
            "power-cut" => return number(value).map(Fault::PowerCut),
            "power-cut-instructions" => return number(value).map(Fault::PowerCutInstructions),
            "open-miso" => Fault::OpenMiso,
            "shorted-data" => Fault::ShortedData,
            "swapped-data" => Fault::SwappedData,
            "no-power" => Fault::NoPower,
            "reversed-cable" => Fault::ReversedCable,
            "deaf-in-brown-out" => Fault::DeafInBrownOut,
            "lost-clock" => Fault::LostClock,
            _ => return Err("no fault has this name".into()),
        };
        if value.is_some() { Err("this fault takes no value".into()) } else { Ok(fault) }
    }
}

fn number<T: FromStr>(value: Option<&str>) -> Result<T, String> {
    let value = value.ok_or("a number must follow, as in name=120")?;
    value.parse().map_err(|_| format!("'{value}' is not a number that fits"))
}

fn id_bytes(text: &str) -> Result<[u8; 3], String> {
    match u32::from_str_radix(text, 16) {
        Ok(id) if text.len() == 6 => Ok([(id >> 16) as u8, (id >> 8) as u8, id as u8]),
        _ => Err("ID bytes are six hexadecimal digits, as 1E9307".into()),
    }
}

impl FromStr for Fault {
    type Err = FaultError;

    fn from_str(text: &str) -> Result<Fault, FaultError> {
        Fault::parse(text).map_err(|why| FaultError { text: text.into(), why })
    }
}

impl TryFrom<String> for Fault {
    type Error = FaultError;

    fn try_from(text: String) -> Result<Fault, FaultError> {
        text.parse()
    }
}

impl From<Fault> for String {
    fn from(fault: Fault) -> String {
        fault.to_string()
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Fault::OpenMiso => f.write_str("open-miso"),
            Fault::ShortedData => f.write_str("shorted-data"),
            Fault::SwappedData => f.write_str("swapped-data"),
            Fault::HeldLine(line, high) => write!(f, "held-line={}", line.text(*high)),
            Fault::NoPower => f.write_str("no-power"),
            Fault::WrongSupply(mv) => write!(f, "wrong-supply={}", mv.0),
            Fault::WrongLevel(mv) => write!(f, "wrong-level={}", mv.0),
            Fault::WeakSupply(mv) => write!(f, "weak-supply={}", mv.0),
            Fault::ReversedCable => f.write_str("reversed-cable"),
            Fault::DeafInBrownOut => f.write_str("deaf-in-brown-out"),
            Fault::OtherChip([a, b, c]) => write!(f, "other-chip={a:02X}{b:02X}{c:02X}"),
            Fault::LostClock => f.write_str("lost-clock"),
            Fault::LockedChip(mode) => write!(f, "locked-chip={mode}"),
            Fault::WeakCells(page) => write!(f, "weak-cells={page}"),
            Fault::PowerCut(after) => write!(f, "power-cut={after}"),
            Fault::PowerCutInstructions(after) => write!(f, "power-cut-instructions={after}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_reads_back_as_it_was_written() {
        let texts = [
            "open-miso",
            "held-line=sck-high",
            "wrong-supply=2700",
            "other-chip=1E9801",
            "weak-supply=3900",
            "reversed-cable",
            "deaf-in-brown-out",
            "locked-chip=2",
            "weak-cells=7",
            "power-cut=0",
            "power-cut-instructions=99",
        ];
        for text in texts {
            assert_eq!(text.parse::<Fault>().map(|fault| fault.to_string()), Ok(text.to_owned()));
        }
    }

    #[test]
    fn a_wrong_fault_is_told_with_the_reason_and_the_list() {
        for (text, part) in [
            ("open-mosi", "no fault has this name"),
            ("open-miso=1", "takes no value"),
            ("power-cut", "a number must follow"),
            ("held-line", "it is one of reset-low, reset-high"),
            ("power-cut=-1", "'-1' is not a number that fits"),
            ("locked-chip=1", "2 or 3"),
            ("other-chip=1E93", "six hexadecimal digits"),
        ] {
            let told = text.parse::<Fault>().map_err(|error| error.to_string());
            assert!(told.as_ref().is_err_and(|told| told.contains(part) && told.contains("weak-cells=PAGE")), "{text}: {told:?}");
        }
    }
}
