//! The one table of causes: what can be wrong with a board, by name. `explain`, JSON and tests read it.

use serde::{Serialize, Serializer};

macro_rules! causes {
    ($($kind:ident $name:literal $explanation:literal)*) => {
        /// What is wrong with a board.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum CauseKind { $(#[doc = $explanation] $kind),* }

        impl CauseKind {
            /// The whole table. What stands further up hides or explains what stands below it.
            pub const ALL: &[CauseKind] = &[$(CauseKind::$kind),*];

            /// The stable name.
            pub fn name(self) -> &'static str {
                match self { $(CauseKind::$kind => $name),* }
            }

            /// The longer text of `explain`.
            pub fn explanation(self) -> &'static str {
                match self { $(CauseKind::$kind => $explanation),* }
            }
        }
    };
}

causes! {
    BridgeSilent "bridge-silent"
        "No bridge answers where --via says. The board was not looked at. The port, the cable to the bridge, the bridge's firmware come \
         first; `farrier bridges` lists what there is."
    NoSupply "no-supply"
        "The bridge measures no supply at the programming header. The board has none, the wire to VCC or ground is open, or the plug sits \
         the wrong way round."
    SupplyOutOfRange "wrong-supply"
        "The supply lies outside the range of the board file. Below it a write may be done in part, above it the chip may be harmed, so \
         nothing is written before it is right."
    LevelsDiffer "wrong-level"
        "The bridge drives its pins at another level than the board's inputs bear or understand, so it drove none of them. Use a bridge of \
         the board's level, or parts that shift the levels."
    LineHeld "line-held"
        "A line of the programming header does not follow the bridge: it is shorted, or another part drives it."
    DataLinesJoined "data-lines-joined"
        "Every bit that was sent came back at once: MOSI and MISO are joined."
    NoAnswer "no-answer"
        "The chip is silent, and nothing that the bridge can measure tells why. A wire, a clock that was lost (where the chip can be set \
         to one from outside), a programming header that the configuration shut, a brown-out level above the supply, and a dead chip all \
         look like this; the diagnosis says which of them this chip can have, and what tells them apart."
    GarbledAnswer "garbled-answer"
        "Something comes back, and it is not steady or not the echo: noise, an edge too many, a part that shares the line, or a chip whose \
         clock is slower than any that was tried (where it can be set to one from outside)."
    AnotherChip "another-chip"
        "The ID bytes are those of another part than the board file has. Nothing but the ID bytes is read or written then."
    JobUnfinished "job-unfinished"
        "An earlier job on this board was cut off. What is there is neither what was there before nor what should be; going on from the \
         job's own record is the safe way."
    Locked "locked-chip"
        "Lock bits forbid reading the memories. What is there cannot be looked at or kept; only an erase of the whole chip lifts them."
    AsShipped "as-shipped"
        "The chip is as its maker ships it: blank, with the factory configuration. Nothing is wrong with it, and nothing is on it."
    ChipErased "chip-erased"
        "Flash and EEPROM are blank although the configuration is that of a board in use: somebody erased the chip."
    NoClock "no-clock"
        "The configuration chooses a clock that the board does not have. The chip answers only while the bridge gives it a clock."
    ClockSlow "clock-slow"
        "The chip runs slower than the board file says: its clock is divided, or another oscillator is chosen. Firmware runs at the wrong \
         pace, and a programming clock of the usual speed fails."
    ClockDiffers "clock-differs"
        "The configuration chooses another clock than the board file has. Its firmware runs at the wrong pace, or not at all."
    BrownOutAboveSupply "brown-out-above-supply"
        "The brown-out level is above the supply, so the chip is held in reset for ever and its firmware never starts."
    LoaderMissing "loader-missing"
        "Reset leads to where the loader belongs, and the flash there is blank."
    LoaderHalfWritten "loader-half-written"
        "Part of the loader is there, and the rest is blank or torn: writing it broke off."
    LoaderOverwritten "loader-overwritten"
        "Reset leads to where the loader belongs, and what is there is not the loader: an application runs on into its flash, or something \
         else was written there."
    LoaderBypassed "loader-bypassed"
        "The loader is there, or a program that begins where the board file has it begin, and reset starts the application instead, so \
         that the loader never runs."
    ResetBesideLoader "reset-beside-loader"
        "The loader is there, and the boot section is set to another size, so that reset does not lead to its beginning. Where it begins \
         is known of a loader that is built in, or that the journal or a snapshot has; of any other the flash may show it, by a blank \
         page and then the beginning of a program at the start of a boot section."
    ApplicationMissing "application-missing"
        "The flash outside the loader is blank: there is nothing to start."
    ApplicationHalfWritten "application-half-written"
        "Part of an application that is known is there, and the rest is blank or torn: writing it broke off."
    ApplicationMisplaced "application-misplaced"
        "An application that is known is there, at another address than it was built for."
    ApplicationOfAnother "application-of-another-board"
        "The application is a known one of another board; on this one it drives other pins, or was built for another chip."
    ApplicationAltered "application-altered"
        "Most of an application that is known is there, and some pages hold something else."
    ApplicationDoesNotStart "application-does-not-start"
        "What is at the start of the application is nothing that this chip can start."
    PageDamaged "page-damaged"
        "A few bits of an application that is known do not read as they should. Writing again shows whether cells are weak: a page that \
         then does not hold its bytes wants a new chip."
    NotAsWanted "not-as-wanted"
        "Nothing that was looked at is broken, and the board does not hold what --to says."
    SettingsBlank "settings-blank"
        "The settings store is blank. A new board has it so; on a board in use they were wiped, and only a snapshot brings them back."
    LoaderUnknown "loader-unknown"
        "What reset starts is not the board's built-in loader, and looks like something that starts: somebody's own loader, or leftovers \
         of something that was written over it. Nothing but its owner can tell."
    ConfigurationDiffers "configuration-differs"
        "Fields of the configuration are not as the board file expects them."
    WatchdogAlwaysOn "watchdog-always-on"
        "The configuration has the watchdog always on, and no board file or snapshot says that it should be. Firmware that does not feed \
         it is reset over and over; firmware that is made for it runs as it should."
}

impl Serialize for CauseKind {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.name())
    }
}

/// A cause that was found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Cause {
    pub kind: CauseKind,
    /// What is wrong, on this board, in one sentence.
    pub sentence: String,
    /// Where the evidence leaves several possibilities: each of them, the likeliest first, and what would tell it from the others.
    pub could_be: Vec<String>,
}

impl Cause {
    pub(super) fn new(kind: CauseKind, sentence: impl Into<String>) -> Cause {
        Cause { kind, sentence: sentence.into(), could_be: Vec::new() }
    }

    pub(super) fn could_be(mut self, possibilities: &[&str]) -> Cause {
        self.could_be = possibilities.iter().map(|text| (*text).to_owned()).collect();
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_kebab_case_and_there_once() {
        let names: std::collections::BTreeSet<&str> = CauseKind::ALL.iter().map(|kind| kind.name()).collect();
        assert_eq!(names.len(), CauseKind::ALL.len());
        assert!(names.iter().all(|name| name.chars().all(|c| c.is_ascii_lowercase() || c == '-')));
        assert!(CauseKind::ALL.iter().all(|kind| kind.explanation().ends_with('.')));
    }
}
