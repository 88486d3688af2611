//! What arrives from a bridge, or from something that is none.

use farrier::board::{Board, Catalog, Chip};
use farrier::frame::{Answer, Decoder, Envelope, FRAME_BYTES_MAX, Request, Sequence, Show};
use farrier::job::Bench;
use farrier::link::{BridgeEnd, Client, FarEnd, MemoryWire};
use farrier::sim::{Sim, SimBridge};
use farrier::time::Moment;
use std::sync::OnceLock;
use std::sync::atomic::AtomicBool;

/// Bytes as a stream, and as the contents of a frame that is undamaged.
pub fn frame(bytes: &[u8]) {
    let mut decoder = Decoder::new(256);
    bytes.iter().filter_map(|byte| decoder.push(*byte)).for_each(|heard| match heard {
        Ok(envelope) => open(&envelope),
        Err(damage) => assert!(!damage.to_string().is_empty()),
    });
    let [kind, sequence, body @ ..] = bytes else { return };
    let envelope = Envelope { kind: *kind, sequence: Sequence(*sequence), body: body.to_vec() };
    let mut decoder = Decoder::new(envelope.frame_bytes());
    let heard: Vec<_> = envelope.to_wire().into_iter().filter_map(|byte| decoder.push(byte)).collect();
    assert_eq!(heard, [Ok(envelope.clone())]);
    open(&envelope);
}

/// What a frame means can be put into a frame again, and means the same.
fn open(envelope: &Envelope) {
    if let Ok(request) = Request::open(envelope)
        && let Ok(again) = request.seal(envelope.sequence)
    {
        assert_eq!(Request::open(&again), Ok(request.clone()));
        let _ = Show(&request).to_string();
    }
    if let Ok(answer) = Answer::open(envelope) {
        assert_eq!(Answer::open(&answer.seal(envelope.sequence)), Ok(answer.clone()));
        let _ = Show(&answer).to_string();
    }
}

/// A whole look at a board through a bridge some of whose answers are changed, each in an undamaged frame. Whatever it says, the look ends
/// in an observed state or in an error, and without a change it is the true one.
pub fn replies(bytes: &[u8]) {
    static NEVER: AtomicBool = AtomicBool::new(false);
    let (board, chip) = small();
    let sim = Sim::new(board, chip, 1);
    sim.edit(|contents| contents.flash[..4].copy_from_slice(&[0x0C, 0x94, 0x34, 0x00]));
    let true_flash = sim.contents().flash;
    let liar =
        Liar { end: BridgeEnd::new(sim.hello(), sim.hands()), decoder: Decoder::new(FRAME_BYTES_MAX), script: bytes.to_vec(), at: 0 };
    let wire = MemoryWire::new(Box::new(liar), sim.virtual_clock(), 1_000_000);
    let Ok(mut client) = Client::connect(Box::new(wire)) else { return };
    let mut listener = |_: &_| {};
    let mut bench = Bench::new(&mut client, board, chip, &mut listener, &NEVER);
    let observed = bench.observe();
    if bytes.iter().all(|byte| *byte == 0) {
        let read = observed.expect("nothing was changed").flash.bytes;
        assert_eq!(read.filled(chip.flash_span(), 0), true_flash);
    }
}

/// A board with little to read.
fn small() -> &'static (Board, Chip) {
    static SMALL: OnceLock<(Board, Chip)> = OnceLock::new();
    SMALL.get_or_init(|| {
        let (board, mut chip) = Catalog::built_in().board("generic-atmega328p").expect("it is built in");
        (chip.flash.bytes, chip.eeprom.bytes) = (1024, 64);
        (board, chip)
    })
}

/// A bridge whose answers are changed as a script says: a byte for each answer, 0 for none, else how, and two more bytes.
struct Liar {
    end: BridgeEnd<SimBridge>,
    decoder: Decoder,
    script: Vec<u8>,
    at: usize,
}

impl Liar {
    fn next(&mut self) -> u8 {
        let byte = self.script.get(self.at).copied().unwrap_or(0);
        self.at += 1;
        byte
    }

    fn changed(&mut self, mut envelope: Envelope) -> Envelope {
        let how = self.next();
        if how == 0 {
            return envelope;
        }
        let (place, value) = (usize::from(self.next()), self.next());
        let length = envelope.body.len();
        match how % 6 {
            0 => envelope.kind = value,
            1 => envelope.sequence = Sequence(value),
            2 => envelope.body.truncate(place % (length + 1)),
            3 => envelope.body.extend(std::iter::repeat_n(value, place)),
            4 => envelope.body = (0..place).map(|_| self.next()).collect(),
            _ => envelope.body.iter_mut().skip(place % length.max(1)).step_by(usize::from(how / 6) + 1).for_each(|byte| *byte ^= value),
        }
        envelope
    }
}

impl FarEnd for Liar {
    fn deliver(&mut self, at: Moment, bytes: &[u8]) {
        self.end.deliver(at, bytes);
    }

    fn next_event(&self) -> Option<Moment> {
        self.end.next_event()
    }

    fn take_output(&mut self, until: Moment) -> Option<(Moment, Vec<u8>)> {
        let (at, bytes) = self.end.take_output(until)?;
        let heard: Vec<_> = bytes.iter().filter_map(|byte| self.decoder.push(*byte)).flatten().collect();
        Some((at, heard.into_iter().flat_map(|envelope| self.changed(envelope).to_wire()).collect()))
    }
}
