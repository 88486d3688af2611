//! The supply fails while the loader in libsimavr takes an application: what may start afterwards, and that the loader is there still.
//!
//! The page that is being erased or written at that moment is left torn, each bit as it was or as it becomes.

use super::boot::{ACK, EOT, NAK, block, exchange};
use super::emulator::Emulator;
use super::every_chip::{boot, held_board, image, installed};
use farrier::board::HoldPin;
use std::time::Duration;

const MILLISECOND: Duration = Duration::from_millis(1);

/// Blocks of the new application; the last units of all three chips are not full.
const BLOCKS: usize = 5;

/// A board with a loader, an application and a button at PD2, and what its flash holds before a transfer and after a whole one.
struct Bench {
    held: (farrier::board::Board, farrier::board::Chip, farrier::board::BuiltLoader),
    before: Vec<u8>,
    new: Vec<u8>,
    after: Vec<u8>,
}

impl Bench {
    fn new(part: &str) -> Bench {
        let mut held = held_board(part, Some(&HoldPin { pin: "PD2".into(), low: true })).unwrap();
        held.0.reservation.as_mut().unwrap().start_delay_ms = 60;
        let mut before = installed(&held.0, &held.1);
        before[..1000].copy_from_slice(&image(1000, 3));
        let (new, mut after) = (image(BLOCKS * 128, 4), before.clone());
        after[..new.len()].copy_from_slice(&new);
        // Pages that are begun are erased as a whole, two blocks of a page at least.
        let unit = (held.1.flash.page as usize).max(128);
        after[new.len()..new.len().next_multiple_of(unit)].fill(0xFF);
        Bench { held, before, new, after }
    }

    /// Cuts the supply so long after the last byte of `said` blocks was on its way, or of the end where all of them were said.
    fn cut(&self, said: usize, later: Duration) -> (Emulator, Option<u32>) {
        let mut emulator = boot(&self.held, &self.before);
        emulator.expect("C", 1000 * MILLISECOND);
        let blocks: Vec<Vec<u8>> = (1..).zip(self.new.chunks(128)).map(|(n, data)| block(n, data.try_into().unwrap())).collect();
        for block in &blocks[..said] {
            exchange(&mut emulator, block, ACK);
        }
        match blocks.get(said) {
            Some(block) => emulator.send(block),
            None => {
                exchange(&mut emulator, &[EOT], NAK);
                emulator.send(&[EOT]);
            }
        }
        emulator.run(later);
        let torn = emulator.cut(later.as_micros() as u64 + said as u64);
        (emulator, torn)
    }

    /// Whether the torn page was page 0, and whether something started that is neither the old application nor the new one.
    fn cut_and_judged(&self, said: usize, later: Duration) -> (bool, bool) {
        let (mut emulator, torn) = self.cut(said, later);
        let starts = emulator.comes_to(0, 150 * MILLISECOND);
        let flash = emulator.flash();
        let whole = flash == self.before || flash == self.after;
        let what = format!("{}, {said} blocks, {later:?}, torn {torn:x?}", self.held.1.part);
        assert!(starts || !whole, "{what}: a whole application does not start");
        assert!(whole || !starts || torn == Some(0), "{what}: half an application starts");
        (torn == Some(0), starts && !whole)
    }
}

/// Every few milliseconds of a transfer, and every one of its end, where page 0 is written.
#[test]
fn only_a_page_0_that_is_itself_torn_can_start_half_an_application() {
    for part in ["atmega88", "atmega328p", "atmega2560"] {
        let bench = Bench::new(part);
        // A block of 133 bytes takes 35 ms.
        let blocks = (0..BLOCKS).flat_map(|said| [36, 40, 46].map(|later| (said, later)));
        let end = (0..24).map(|later| (BLOCKS, later));
        let judged: Vec<(bool, bool)> = blocks.chain(end).map(|(said, later)| bench.cut_and_judged(said, later * MILLISECOND)).collect();
        let (torn, started) = (judged.iter().filter(|cut| cut.0).count(), judged.iter().filter(|cut| cut.1).count());
        println!("{part}: of {} cuts {torn} tore page 0, after which {started} times it started torn", judged.len());
        assert!(torn > 0 && torn < judged.len() / 2, "{part}");
    }
}

/// Such a board is not lost: the loader asks first, and for as long as its pin is pressed.
#[test]
fn a_torn_page_0_is_mended_by_the_next_transfer_while_the_pin_holds_the_loader() {
    for part in ["atmega88", "atmega328p", "atmega2560"] {
        let bench = Bench::new(part);
        // The first block has come, and page 0 of the old application is being erased.
        let (mut emulator, torn) = bench.cut(0, 37 * MILLISECOND);
        assert_eq!(torn, Some(0), "{part}");
        emulator.drive("PD2", Some(false));
        emulator.reset();
        assert!(!emulator.comes_to(0, 1000 * MILLISECOND), "{part}: not held");
        emulator.run(10 * MILLISECOND); // passes over what was asked meanwhile
        assert!(emulator.send_xmodem(&bench.new), "{part}: the sender gave up");
        emulator.run_to(0, 1000 * MILLISECOND);
        assert!(emulator.flash() == bench.after, "{part}");
    }
}
