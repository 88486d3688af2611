//! The words of this program's texts, each with one meaning. `explain` and the README read them from here.

/// A word, and what it means here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Word {
    pub word: &'static str,
    /// One or two sentences.
    pub meaning: &'static str,
}

/// Every word, in alphabetical order.
pub const WORDS: &[Word] = &[
    word(
        "application",
        "The firmware that makes the board do its work: everything in flash outside the loader's reservation. On a board without a \
         loader it may have the whole flash.",
    ),
    word(
        "baseline",
        "What a board held before the first change of a job; everything that a command says it keeps is kept as it was then. A job that \
         was cut off hands its baseline on to the job that goes on from it.",
    ),
    word(
        "bridge",
        "What sits between this computer and the board: on one side a port of the computer, on the other the wires to the programming \
         header.",
    ),
    word(
        "configuration",
        "Settings of the chip itself, kept outside its flash: what clock it runs on, where it starts, whether EEPROM survives an erase. \
         On 8-bit AVR parts these are the fuse bytes.",
    ),
    word(
        "consent",
        "A yes to one finding, given by its name, either typed at the question or with --accept. It holds only for the stakes that were \
         shown.",
    ),
    word(
        "desired state",
        "What the board should hold once a command is done: each region of flash, the EEPROM, each configuration field and the lock. \
         What the command does not speak of is as in the baseline.",
    ),
    word(
        "finding",
        "Something about a plan that is worth saying, under a name that stays the same. It is a note, or it asks for consent, or it \
         refuses; `farrier explain NAME` says more about each.",
    ),
    word(
        "image",
        "Bytes with their addresses, as an Intel HEX, ELF or raw binary file gives them. An address that the file does not speak of is \
         not in the image.",
    ),
    word(
        "job",
        "One run of a command that changes a board, with its plan and its baseline. It is finished when its last verify has passed, and \
         unfinished when it was cut off before that; the same command then goes on with it.",
    ),
    word("journal", "The list of all jobs: what was done to which board, with which consents, from which baseline, and how far it came."),
    word(
        "loader",
        "A small program that stays in the chip and takes new firmware through a serial port or the like, so that later updates need \
         neither bridge nor programming header.",
    ),
    word(
        "lock",
        "Bits that keep a chip's memory from being read or written, through the programming header or by its own code. Only erasing the \
         whole chip takes them back.",
    ),
    word(
        "observed state",
        "What one board was seen to hold at one time. Parts that were not read, or that the chip would not give, are marked so.",
    ),
    word(
        "plan",
        "The ordered steps that lead from what a board holds to what it should hold. It is shown before anything is done, and nothing \
         else is done.",
    ),
    word("programming header", "The pins or pads of a board through which a bridge reaches the chip directly, whatever firmware is in it."),
    word("region", "A named part of the flash that begins and ends with a page and has one owner, the loader or the application."),
    word(
        "reservation",
        "The part of the flash that a board gives to its loader. An application must stay out of it, even while no loader is there.",
    ),
    word(
        "settings store",
        "Where the firmware keeps values that were found for this one board: the EEPROM, or flash pages that serve as one.",
    ),
    word(
        "sim",
        "The simulated bridge, board and chip that --via sim:NAME talks to. It behaves as the datasheets say, but runs no firmware; \
         whatever comes from it is marked SIMULATED.",
    ),
    word(
        "snapshot",
        "An observed state kept on disk as a folder: flash, EEPROM, configuration, lock, and what could not be read and why. One is \
         taken before a job changes anything.",
    ),
    word(
        "step",
        "One action of a plan, such as an erase, a write of some pages, or a verify, with the reason for it and the time it should \
         take.",
    ),
    word(
        "tag",
        "Your own mark for one board, such as a number on a sticker, given with --tag. It tells boards apart that are otherwise alike.",
    ),
    word(
        "way in",
        "An interface through which a chip is programmed. The 8-bit AVR parts here have one, `spi`: serial programming through the \
         programming header while reset is held.",
    ),
];

const fn word(word: &'static str, meaning: &'static str) -> Word {
    Word { word, meaning }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_in_order_and_there_once() {
        assert!(WORDS.is_sorted_by(|a, b| a.word < b.word));
        assert!(WORDS.iter().all(|word| word.word == word.word.to_lowercase()));
    }

    #[test]
    fn meanings_are_one_or_two_sentences() {
        for word in WORDS {
            let sentences = word.meaning.split_inclusive(['.', ';']).filter(|part| part.ends_with('.')).count();
            assert!(word.meaning.ends_with('.') && sentences <= 2, "{}: {}", word.word, word.meaning);
        }
    }
}
