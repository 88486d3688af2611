//! The one table of findings: name, severity, what it says at length. `explain`, JSON and tests read it.

use serde::{Serialize, Serializer};

/// What a finding means for the job.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Worth knowing; nothing is asked.
    Note,
    /// The job goes on only with `--accept NAME` or the name typed at the question.
    Consent,
    /// Nothing lifts it.
    Refuse,
}

macro_rules! kinds {
    ($($kind:ident $name:literal $severity:ident $explanation:literal)*) => {
        /// Every finding there is.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Kind { $(#[doc = $explanation] $kind),* }

        impl Kind {
            /// The whole table, refusals first.
            pub const ALL: &[Kind] = &[$(Kind::$kind),*];

            /// The stable name that people type.
            pub fn name(self) -> &'static str {
                match self { $(Kind::$kind => $name),* }
            }

            pub fn severity(self) -> Severity {
                match self { $(Kind::$kind => Severity::$severity),* }
            }

            /// The longer text of `explain`.
            pub fn explanation(self) -> &'static str {
                match self { $(Kind::$kind => $explanation),* }
            }
        }
    };
}

kinds! {
    WrongChip "wrong-chip" Refuse
        "The ID bytes that the chip gave are not those of the chip in the board file. Either the board file is for another board, or the \
         chip was replaced: choose the board with --board; `farrier boards` lists them. Or the connection spoils what the chip says."
    ImageOutsideFlash "image-outside-flash" Refuse
        "The image has bytes at addresses that this chip's flash (or, for an EEPROM image, its EEPROM) does not have. It was built for \
         a larger chip, or linked at another address."
    ImageOverlapsLoader "image-overlaps-loader" Refuse
        "The application image reaches into the flash that holds or will hold the loader. A combined image can be taken apart with \
         `write IMAGE --only application`."
    LoaderOutsideReservation "loader-outside-reservation" Refuse
        "The loader image has bytes outside the flash that the board file reserves for a loader. It was linked for another board, or the \
         reservation in the board file is too small."
    BaudNotReachable "baud-not-reachable" Refuse
        "The loader's line speed cannot be made of the board's clock: the USART divides it by whole numbers, and the nearest speed is more \
         than 2 % off. Both ends of a line share what is tolerated over the ten bits of a character, so 2 % is common practice. Choose one \
         of the rates that fit, as `baud` under [reservation] in the board file, and the same in the program that sends."
    ApplicationOverlapsReservation "application-overlaps-reservation" Refuse
        "The application that is on the board now reaches into the flash that the loader needs. Installing the loader would cut it off. \
         Write an application that leaves the reservation free, or install with `--with APPLICATION`. If what is there is a loader that \
         nothing starts, `loader remove` clears it."
    ConflictingImageData "conflicting-image-data" Refuse
        "Two of the images given for this job put different bytes at one address, so what should be there is not settled."
    LosesProgrammingAccess "loses-programming-access" Refuse
        "The configuration asked for would turn off the very interface that is in use, or the reset line that it needs. Afterwards only a \
         high-voltage programmer could reach the chip."
    ReservedBitsChanged "reserved-bits-changed" Refuse
        "The configuration image programs bits that the datasheet leaves without a meaning, or gives a field a value that it reserves. \
         Bits without a meaning must stay unprogrammed (1)."
    EepromLocked "eeprom-locked" Refuse
        "A fuse of the chip locks a part of its EEPROM against being written, and the job has other bytes for it. What stands there is \
         mostly meant to stay, so it is opened by a command of its own. A job that only has to put back what is there opens it by \
         itself, and locks it again: whether an erase of the chip takes locked EEPROM stands in no document that was read."
    SupplyOutOfRange "supply-out-of-range" Refuse
        "The supply that the bridge measured lies outside the range of the board file. Below it the chip may write wrong bits; above it \
         the chip may be harmed."
    LevelsDiffer "levels-differ" Refuse
        "The bridge drives its pins at another level than this board's inputs bear or understand. Use a bridge of the board's level, or \
         parts that shift the levels: `farrier connections` draws them, and --levels-shifted says that they are fitted."
    SettingsLost "settings-lost" Consent
        "The settings store will not hold afterwards what it holds now, and the job did not ask to replace it byte for byte: an image \
         changes part of it, or an erase takes what could not be read. What could be read is kept in the snapshot."
    SettingsChangedSince "settings-changed-since" Consent
        "An earlier job on this board was not finished, and the settings store is not as that job had verified or left it: firmware \
         that ran in between wrote to it. Going on restores the store as it was before that job; the present contents are kept in a \
         snapshot of their own."
    ApplicationChangedSince "application-changed-since" Consent
        "An earlier job on this board was not finished, and a later one has sent an application to the board's loader since. Going on from \
         the earlier job puts back the application from before it, and the later one is lost; the present contents are kept in a snapshot \
         of their own."
    TakesBackAJob "takes-back-a-job" Consent
        "The board holds exactly what its last job left, so some or all of what revive finds on it was asked for then and is no damage; \
         and the plan that revive makes takes part of that back. A board that was put back to as shipped, or set so on purpose, may \
         stay so."
    SerialNumberLost "serial-number-lost" Consent
        "The board file declares a serial number, and an image or a snapshot puts other bytes in its place. It tells this board from all \
         others, and nothing can make it up again; the snapshot that is taken first keeps it. An image that leaves those bytes out leaves \
         the number as it is."
    AnotherBoardsSnapshot "another-boards-snapshot" Consent
        "The snapshot to be restored was taken of another board: its tag, the calibration byte of its chip or its serial number is not \
         this board's. Settings that were found for one board would come to another. The calibration byte, and the serial number that \
         the board file declares, stay as they are on the board in hand."
    KeptContentsUnreadable "kept-contents-unreadable" Consent
        "The job should keep contents that cannot be read, because the chip is locked, and a step destroys them. They are lost for good."
    NoSnapshotPossible "no-snapshot-possible" Consent
        "What the board holds cannot be recorded before the change: its chip is locked, or only its loader is reached, which reads nothing \
         out. There will be no way back."
    LoaderRemoved "loader-removed" Consent
        "The job takes away the loader that is on the board. Afterwards new firmware gets in only through the programming header."
    ClockSourceChanged "clock-source-changed" Consent
        "The job changes the chip's clock source to one that the board file does not expect, or the board is a generic one of which no \
         clock is known. If that source is not on the board, the chip stops answering until something gives it a clock."
    PartOfSameId "part-of-same-id" Consent
        "Several parts answer with the same three ID bytes, so nothing that is read tells which of them is on the board, only what is \
         printed on it. The configuration to be written is one thing on the part that the board file names and another on a part with the \
         same ID: there it would turn off the programming header for good, or choose another clock. Choose the board of the part that is \
         really there with --board."
    ClockMissing "clock-missing" Consent
        "The configuration chooses a clock that the board file does not have: no crystal or external clock is described there. The chip \
         would not run."
    CrystalUnderdriven "crystal-underdriven" Consent
        "The configuration drives the board's crystal with the small swing, which is for crystals up to 8 MHz (from memory, not checked \
         against the datasheet). A faster one may not start, or not every time, and a chip without a clock does not answer until something \
         gives it one."
    WatchdogMustBeFed "watchdog-must-be-fed" Consent
        "The configuration has the watchdog always on, and the board file does not say that its firmware is made for that. Code that \
         never feeds it is reset over and over. The built-in loader feeds it; whether the application does, its source tells."
    SupplyBelowBrownOut "supply-below-brown-out" Consent
        "The configuration sets a brown-out level that is above the board's supply. Below that level the chip is held in reset, so no \
         firmware starts, and no document says that the programming header answers every chip in that state."
    EffectNotKnown "effect-not-known" Consent
        "The configuration gives a field a value of which the chip file does not say what it does: it stands in none of the sources that \
         the file was made from. The chip's datasheet tells. Most of these are waits before the chip starts, of which a short one may be \
         too short for a crystal, and brown-out levels, of which one above the supply holds the chip in reset."
    ResetIntoEmptyFlash "reset-into-empty-flash" Consent
        "After the job, reset starts at flash that is empty. The board will do nothing until something is written there."
    ReadoutLocked "readout-locked" Consent
        "The job sets lock bits that forbid reading. No later snapshot or verify is possible, and unlocking erases the flash, and the \
         EEPROM unless the configuration protects it."
    ImageMayNotStart "image-may-not-start" Consent
        "The image does not look like something that this chip can start: where reset begins there is no jump or code of a known kind, or \
         it leads outside the image. Or reset comes to start in the middle of what is in the flash."
    ImageOfAnotherChip "image-of-another-chip" Consent
        "The application to be written is one that is known, and it was built for another chip: there it finds other pins and other \
         registers. An image does not say itself what it was built for."
    SnapshotIncomplete "snapshot-incomplete" Note
        "The snapshot to be restored does not hold all that was asked of it, mostly because its chip was locked when it was taken. What it \
         lacks stays as it is on the board; nothing is made up for it."
    StaysWithTheBoard "stays-with-the-board" Note
        "The snapshot is another board's. What belongs to a single board does not come along: the calibration byte, which the chip's maker \
         set and nothing can write, and the serial number that the board file declares."
    OldPartMode "old-part-mode" Note
        "The configuration has the chip behave like the older part that it followed, as some are shipped. It then lacks registers, memory \
         and abilities that firmware built for the chip itself uses, and such firmware may not run; the built-in loader is not made for \
         it. Firmware that was made for the older part needs that mode: a board file that expects it ends the remark."
    LittleRoomLeft "little-room-left" Note
        "Less than a tenth of the application's flash is free."
    ImageUnchanged "image-unchanged" Note
        "The board holds these bytes already; nothing is written there."
    BlankTail "blank-tail" Note
        "The image ends in bytes of the blank value. They are not written; after an erase they read the same."
    UnusedBitsRead "unused-bits-read" Note
        "Configuration or lock bits without a meaning read back as programmed. The documents do not settle how they read, so they are \
         left out of comparisons."
}

impl Serialize for Kind {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.name())
    }
}

/// One finding: which, and what exactly was found, with the numbers and what to do.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Finding {
    pub kind: Kind,
    /// What, why and what to do, as one or two plain sentences.
    pub sentence: String,
    /// What is at stake, as a short stable text: a consent holds only while this is the same.
    pub stake: String,
}

impl Finding {
    /// A finding whose stake is its sentence.
    pub fn new(kind: Kind, sentence: impl Into<String>) -> Finding {
        let sentence = sentence.into();
        Finding { kind, stake: sentence.clone(), sentence }
    }

    pub fn severity(&self) -> Severity {
        self.kind.severity()
    }
}
