//! The telnet protocol, as far as a port server needs it. Sources: RFC 854 (commands, escaping), RFC 855 (options), RFC 856 (binary
//! transmission), RFC 858 (suppress go ahead), RFC 2217 (COM port control option); all read from memory, and tried against a
//! server that nobody here wrote (`tests/outside/serial_server.rs`).

/// Begins a command; within data it is doubled.
const IAC: u8 = 255;
const SB: u8 = 250;
const SE: u8 = 240;

/// Options.
pub const BINARY: u8 = 0;
pub const SUPPRESS_GO_AHEAD: u8 = 3;
pub const COM_PORT: u8 = 44;

/// More than any subnegotiation of RFC 2217 holds; what is longer is dropped.
const SUBNEGOTIATION_BYTES_MAX: usize = 256;

/// What one side says of an option.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verb {
    Will,
    Wont,
    Do,
    Dont,
}

impl Verb {
    const ALL: [(u8, Verb); 4] = [(251, Verb::Will), (252, Verb::Wont), (253, Verb::Do), (254, Verb::Dont)];

    fn of(code: u8) -> Option<Verb> {
        Verb::ALL.iter().find(|(own, _)| *own == code).map(|(_, verb)| *verb)
    }

    fn code(self) -> u8 {
        Verb::ALL.iter().find(|(_, verb)| *verb == self).map_or(0, |(code, _)| *code)
    }
}

/// What arrives.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Item {
    Data(u8),
    Option(Verb, u8),
    /// An option's number, and what is said about it.
    Subnegotiation(Vec<u8>),
}

/// Takes what arrives apart.
#[derive(Debug, Default)]
pub struct Decoder {
    state: State,
    /// What has come of a subnegotiation.
    inside: Option<Vec<u8>>,
}

#[derive(Clone, Copy, Debug, Default)]
enum State {
    #[default]
    Plain,
    Command,
    Option(Verb),
}

impl Decoder {
    /// Takes the next byte.
    pub fn push(&mut self, byte: u8) -> Option<Item> {
        match std::mem::take(&mut self.state) {
            State::Plain if byte == IAC => {
                self.state = State::Command;
                None
            }
            State::Plain => self.plain(byte),
            State::Option(verb) => Some(Item::Option(verb, byte)),
            State::Command => self.command(byte),
        }
    }

    fn plain(&mut self, byte: u8) -> Option<Item> {
        let Some(inside) = &mut self.inside else { return Some(Item::Data(byte)) };
        if inside.len() < SUBNEGOTIATION_BYTES_MAX {
            inside.push(byte);
        }
        None
    }

    fn command(&mut self, byte: u8) -> Option<Item> {
        match byte {
            IAC => return self.plain(IAC),
            SB => self.inside = Some(Vec::new()),
            SE => return self.inside.take().map(Item::Subnegotiation),
            _ => self.state = Verb::of(byte).map_or(State::Plain, State::Option),
        }
        None
    }
}

/// Data as it is sent.
pub fn escaped(data: &[u8]) -> Vec<u8> {
    data.iter().flat_map(|byte| std::iter::repeat_n(*byte, if *byte == IAC { 2 } else { 1 })).collect()
}

/// What one side says of an option, as it is sent.
pub fn option(verb: Verb, option: u8) -> [u8; 3] {
    [IAC, verb.code(), option]
}

/// A subnegotiation as it is sent.
pub fn subnegotiation(option: u8, words: &[u8]) -> Vec<u8> {
    [&[IAC, SB, option], escaped(words).as_slice(), &[IAC, SE]].concat()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn items(bytes: &[u8]) -> Vec<Item> {
        let mut decoder = Decoder::default();
        bytes.iter().filter_map(|byte| decoder.push(*byte)).collect()
    }

    #[test]
    fn every_byte_goes_through_as_data() {
        let all: Vec<u8> = (0..=255).collect();
        assert_eq!(items(&escaped(&all)), all.iter().map(|byte| Item::Data(*byte)).collect::<Vec<_>>());
    }

    #[test]
    fn commands_among_data_are_taken_out() {
        let bytes = [1, 255, 253, 44, 2, 255, 250, 44, 101, 0, 255, 255, 7, 255, 240, 3, 255, 241, 4];
        let expected = [
            Item::Data(1),
            Item::Option(Verb::Do, COM_PORT),
            Item::Data(2),
            Item::Subnegotiation(vec![44, 101, 0, 255, 7]),
            Item::Data(3),
            Item::Data(4),
        ];
        assert_eq!(items(&bytes), expected);
    }

    #[test]
    fn a_subnegotiation_reads_back() {
        assert_eq!(items(&subnegotiation(44, &[1, 0, 1, 255, 0])), [Item::Subnegotiation(vec![44, 1, 0, 1, 255, 0])]);
        let endless = [&[255, 250][..], &[9; 5000], &[255, 240]].concat();
        assert!(matches!(items(&endless).as_slice(), [Item::Subnegotiation(kept)] if kept.len() == 256));
    }
}
