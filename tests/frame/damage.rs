//! Damaged frames are found out: always where CRC-16 promises it, and else all but about one in 65,536 times.

use super::codec::decoded;
use farrier::frame::{Answer, Damage, Decoder, Envelope, FRAME_BYTES_MAX, Request, Sequence, wire_bytes_max};
use std::iter::repeat_with;

/// A frame of `size` bytes with many zeros in it.
fn frame(random: &mut fastrand::Rng, size: usize) -> Envelope {
    let body = repeat_with(|| if random.u8(0..4) == 0 { 0 } else { random.u8(..) }).take(size - 4).collect();
    Envelope { kind: 2, sequence: Sequence(random.u8(..)), body }
}

/// The bytes between stuffing: a frame with its CRC.
fn plain(envelope: &Envelope) -> Vec<u8> {
    let wire = envelope.to_wire();
    cobs::decode_vec(&wire[..wire.len() - 1]).unwrap()
}

/// What a decoder says to a whole frame with these bits wrong.
fn with_wrong_bits(plain: &[u8], bits: &[usize]) -> Vec<Result<Envelope, Damage>> {
    let mut wrong = plain.to_vec();
    for bit in bits {
        wrong[bit / 8] ^= 0x80 >> (bit % 8);
    }
    let mut wire = cobs::encode_vec(&wrong);
    wire.push(0);
    decoded(&wire)
}

#[test]
fn up_to_three_wrong_bits_in_the_largest_frame_are_always_found() {
    let mut random = fastrand::Rng::with_seed(1);
    let plain = plain(&frame(&mut random, FRAME_BYTES_MAX));
    for round in 0..3000 {
        let mut bits: Vec<usize> = (0..1 + round % 3).map(|_| random.usize(0..plain.len() * 8)).collect();
        bits.sort_unstable();
        bits.dedup();
        let found = with_wrong_bits(&plain, &bits);
        assert!(matches!(found.as_slice(), [Err(Damage::Crc { .. })]), "seed 1, bits {bits:?}: {found:?}");
    }
}

#[test]
fn a_burst_of_up_to_16_wrong_bits_is_always_found() {
    let mut random = fastrand::Rng::with_seed(2);
    let plain = plain(&frame(&mut random, 600));
    for _ in 0..5000 {
        let start = random.usize(0..plain.len() * 8 - 16);
        let pattern = random.u16(1..);
        let bits: Vec<usize> = (0..16).filter(|bit| pattern >> bit & 1 == 1).map(|bit| start + bit).collect();
        let found = with_wrong_bits(&plain, &bits);
        assert!(matches!(found.as_slice(), [Err(Damage::Crc { .. })]), "seed 2, bits {bits:?}: {found:?}");
    }
}

/// Changes a byte, loses one, puts one in, or repeats a stretch.
fn damage(random: &mut fastrand::Rng, wire: &mut Vec<u8>) {
    let at = random.usize(0..wire.len());
    match random.u8(0..4) {
        0 => wire[at] ^= random.u8(1..),
        1 => drop(wire.remove(at)),
        2 => wire.insert(at, random.u8(..)),
        _ => {
            let end = (at + random.usize(1..20)).min(wire.len());
            let stretch = wire[at..end].to_vec();
            wire.splice(at..at, stretch);
        }
    }
}

#[test]
fn other_damage_passes_about_once_in_65536_times_at_most() {
    let mut random = fastrand::Rng::with_seed(3);
    let (mut passed, rounds) = (0, 200_000);
    for _ in 0..rounds {
        let size = random.usize(4..60);
        let whole = frame(&mut random, size);
        let mut wire = whole.to_wire();
        for _ in 0..random.usize(1..4) {
            damage(&mut random, &mut wire);
        }
        // A zero that follows ends what the damage left open, as the next frame would.
        wire.push(0);
        passed += decoded(&wire).into_iter().flatten().filter(|found| *found != whole).count();
    }
    // About 3 are expected; more than 15 has a chance of less than one in a million.
    assert!(passed <= 15, "seed 3: {passed} of {rounds}");
}

#[test]
fn zeros_added_to_a_frame_are_found() {
    for count in 1..20 {
        let mut wire = Request::Clear.seal(Sequence(3)).unwrap().to_wire();
        let end = wire.len() - 1;
        wire.splice(end..end, vec![0x01; count]);
        assert!(matches!(decoded(&wire).as_slice(), [Err(Damage::Crc { .. })]), "{count}");
    }
}

#[test]
fn a_frame_after_a_damaged_one_is_read() {
    let mut random = fastrand::Rng::with_seed(4);
    for round in 0..5000 {
        let first = frame(&mut random, 30);
        let second = frame(&mut random, 30);
        let mut wire = first.to_wire();
        damage(&mut random, &mut wire);
        wire.push(0);
        wire.extend(second.to_wire());
        assert_eq!(decoded(&wire).last(), Some(&Ok(second)), "seed 4, round {round}");
    }
}

#[test]
fn what_is_no_frame_is_named() {
    assert!(decoded(&[0, 0, 0]).is_empty());
    assert_eq!(decoded(&[3, 1, 2, 0]), [Err(Damage::Short { bytes: 2 })]);
    assert_eq!(decoded(&[9, 1, 2, 0]), [Err(Damage::Stuffing { bytes: 3 })]);
    assert_eq!(decoded(&[5, 4, 255, 0x30, 0xC5, 0]), [Err(Damage::Crc { computed: 0x30C4, found: 0x30C5 })]);
    let mut decoder = Decoder::new(100);
    let limit = wire_bytes_max(100);
    let endless: Vec<_> = [1; 5000].iter().chain(&[0]).filter_map(|byte| decoder.push(*byte)).collect();
    assert_eq!(endless, [Err(Damage::TooLong { limit })]);
    let next: Vec<_> = Request::Ask.seal(Sequence(1)).unwrap().to_wire().into_iter().filter_map(|byte| decoder.push(byte)).collect();
    assert!(matches!(next.as_slice(), [Ok(_)]));
}

#[test]
fn the_largest_frame_fits_its_decoder() {
    let mut random = fastrand::Rng::with_seed(5);
    for size in [4, 5, 253, 254, 255, 256, 257, 508, 509, 510, 1000] {
        // Without a zero, so that it is stuffed with the most bytes.
        let body: Vec<u8> = repeat_with(|| random.u8(1..)).take(size - 4).collect();
        let envelope = Envelope { kind: 0x82, sequence: Sequence(1), body };
        let mut decoder = Decoder::new(size);
        let found: Vec<_> = envelope.to_wire().into_iter().filter_map(|byte| decoder.push(byte)).collect();
        assert_eq!(found, [Ok(envelope)], "{size}");
    }
}

#[test]
fn a_hello_with_impossible_limits_is_refused() {
    let sound = super::vectors::hello_answer();
    let opened = |change: &dyn Fn(&mut farrier::frame::Hello)| {
        let mut hello = sound.clone();
        change(&mut hello);
        Answer::open(&Answer::Hello(hello).seal(Sequence(0)))
    };
    assert!(opened(&|_| ()).is_ok());
    assert!(opened(&|hello| hello.window = 0).is_err());
    assert!(opened(&|hello| hello.window = 65).is_err());
    assert!(opened(&|hello| hello.frame_bytes = 512 + 67).is_err());
    assert!(opened(&|hello| hello.frame_bytes = 4096).is_err());
    assert!(opened(&|hello| hello.abilities.block_bytes = 255).is_err());
    assert!(opened(&|hello| hello.abilities.spi_clock_min.0 = 0).is_err());
    assert!(opened(&|hello| hello.abilities.spi_clock_max.0 = 999).is_err());
}

/// Found by fuzzing: a bridge may call itself what it likes, and is shown at a terminal.
#[test]
fn a_name_that_is_too_long_or_no_text_is_cut() {
    let mut body =
        vec![0x00, 0x01, 0x10, 0x99, 0x99, 0x99, 0x40, 0x99, 0x00, 0x00, 0x03, 0xE8, 0x10, 0xFF, 0x03, 0x0E, 0xD9, 0x0E, 0x0E, 0x0E];
    body.extend([b'5'; 50]);
    body.extend([0x03, 0x02, 0x00, b'-']);
    let heard = Answer::open(&Envelope { kind: 0x81, sequence: Sequence(255), body });
    let Ok(Answer::Hello(hello)) = heard else { panic!("{heard:?}") };
    assert_eq!(hello.abilities.name, "5".repeat(32));
    let mut other = hello.clone();
    other.abilities.name = "a\x1b[2Jb\nc".into();
    let Ok(Answer::Hello(heard)) = Answer::open(&Answer::Hello(other).seal(Sequence(0))) else { panic!("it is sound") };
    assert_eq!(heard.abilities.name, "a[2Jbc");
}
