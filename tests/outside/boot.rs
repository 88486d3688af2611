//! The loaders in libsimavr on all three demo chips: what they take, what they refuse, and what they leave to the application.

use super::emulator::{Emulator, flash_with_loader};
use super::loaders::{BOARDS, application, greeting, ready};
use farrier::board::Catalog;
use std::time::Duration;

const SOH: u8 = 0x01;
pub const EOT: u8 = 0x04;
pub const ACK: u8 = 0x06;
pub const NAK: u8 = 0x15;
const CAN: u8 = 0x18;
const PROMPT: u8 = b'C';

/// What an XMODEM sender fills the last block up with.
const FILL: u8 = 0x1A;

const SECOND: Duration = Duration::from_secs(1);

/// The first byte of a board's reservation, where reset goes.
fn reservation(board: &str) -> u32 {
    Catalog::built_in().board(board).unwrap().0.reservation.unwrap().span.start().0
}

fn page(board: &str) -> usize {
    Catalog::built_in().board(board).unwrap().1.flash.page as usize
}

/// The board with its loader and nothing else.
fn with_loader(board: &str) -> Emulator {
    Emulator::boot(board, &flash_with_loader(board), reservation(board))
}

/// The board with its loader and its application.
fn with_both(board: &str) -> Emulator {
    let (mut flash, application) = (flash_with_loader(board), application(board));
    flash[..application.len()].copy_from_slice(&application);
    Emulator::boot(board, &flash, reservation(board))
}

/// The application, filled up with bytes that look random to `bytes` in all.
fn application_of(board: &str, bytes: usize) -> Vec<u8> {
    let mut image = application(board);
    let mut random = fastrand::Rng::with_seed(0x0A12);
    image.resize_with(bytes, || random.u8(..));
    image
}

/// What flash should hold when the loader has taken this image.
fn flash_after(board: &str, image: &[u8]) -> Vec<u8> {
    let mut flash = flash_with_loader(board);
    let blocks = image.len().next_multiple_of(128);
    flash[..blocks].fill(FILL);
    flash[..image.len()].copy_from_slice(image);
    flash
}

fn assert_same_flash(board: &str, now: &[u8], expected: &[u8]) {
    assert_eq!(now.len(), expected.len());
    if let Some(at) = (0..now.len()).find(|at| now[*at] != expected[*at]) {
        panic!("{board}: flash at 0x{at:05X} holds 0x{:02X}, not 0x{:02X}", now[at], expected[at]);
    }
}

/// An XMODEM-CRC block with this number.
pub fn block(number: u8, data: &[u8; 128]) -> Vec<u8> {
    let crc = crc::Crc::<u16>::new(&crc::CRC_16_XMODEM).checksum(data);
    [&[SOH, number, !number], data.as_slice(), &crc.to_be_bytes()].concat()
}

/// Sends one block and asserts the answer.
pub fn exchange(emulator: &mut Emulator, sent: &[u8], answer: u8) {
    emulator.send(sent);
    assert_eq!(emulator.receive(1, 2 * SECOND), [answer], "the answer to {:02x?}...", &sent[..sent.len().min(3)]);
}

/// Waits for the loader of a board whose flash is blank at 0.
fn wait_for_prompt(emulator: &mut Emulator, board: &str) {
    emulator.expect(&greeting(board), SECOND);
    emulator.expect("C", SECOND);
}

#[test]
fn the_loader_greets_takes_an_application_and_starts_it() {
    for board in BOARDS {
        let mut emulator = with_loader(board);
        emulator.expect(&greeting(board), SECOND / 10);
        assert!(emulator.send_xmodem(&application(board)), "{board}: the sender gave up");
        emulator.expect(&ready(board), SECOND);
        assert_same_flash(board, &emulator.flash(), &flash_after(board, &application(board)));

        emulator.send(b"open");
        emulator.expect("open", SECOND);

        emulator.reset();
        emulator.expect(&greeting(board), SECOND / 10);
        emulator.expect(&ready(board), 3 * SECOND);
    }
}

#[test]
fn without_a_sender_the_application_starts_when_the_board_file_says() {
    for board in BOARDS {
        let delay = Catalog::built_in().board(board).unwrap().0.reservation.unwrap().start_delay_ms;
        let mut emulator = with_both(board);
        let time = emulator.expect(&ready(board), 5 * SECOND).as_millis();
        let most = u128::from(delay) * 105 / 100;
        assert!((u128::from(delay)..=most).contains(&time), "{board}: {time} ms, and the board file says {delay}");
    }
}

#[test]
fn noise_on_the_line_does_not_keep_the_application_from_starting() {
    for noise in [b'x', SOH, EOT, CAN] {
        let mut emulator = with_both("frost");
        emulator.send(&vec![noise; 60_000]);
        emulator.expect("frost controller", 15 * SECOND);
    }
}

#[test]
fn on_a_blank_board_the_loader_asks_for_ever() {
    for board in BOARDS {
        let mut emulator = with_loader(board);
        wait_for_prompt(&mut emulator, board);
        let prompts = emulator.run(6 * SECOND);
        assert!((11..=13).contains(&prompts.len()) && prompts.iter().all(|byte| *byte == PROMPT), "{board}: {prompts:02x?}");
    }
}

#[test]
fn a_sender_that_waits_before_the_reset_is_served() {
    for board in BOARDS {
        let mut emulator = with_both(board);
        emulator.expect(&ready(board), 5 * SECOND);
        emulator.reset();
        // The sender now sees the greeting, each byte of which it counts as an error.
        let image = application_of(board, 1000);
        assert!(emulator.send_xmodem(&image), "{board}: the sender gave up");
        emulator.expect(&ready(board), SECOND);
        let flash = emulator.flash();
        assert_eq!(flash[..1000], image);
    }
}

#[test]
fn an_application_may_fill_everything_below_the_reservation() {
    let image = application_of("frost", reservation("frost") as usize);
    let mut emulator = with_loader("frost");
    emulator.hurry(8);
    assert!(emulator.send_xmodem(&image), "the sender gave up");
    emulator.expect(&ready("frost"), SECOND);
    assert_same_flash("frost", &emulator.flash(), &flash_after("frost", &image));
}

#[test]
fn an_image_that_reaches_the_reservation_is_refused_and_the_loader_untouched() {
    for board in BOARDS {
        let room = reservation(board) as usize;
        let image = application_of(board, room + 1);
        let mut emulator = with_loader(board);
        emulator.hurry(8);
        assert!(!emulator.send_xmodem(&image), "{board}: taken");

        // Page 0 is the last to be programmed, so it is blank; all between it and the loader has arrived.
        let mut expected = flash_after(board, &image[..room]);
        expected[..page(board)].fill(0xFF);
        assert_same_flash(board, &emulator.flash(), &expected);

        emulator.expect("C", SECOND);
        assert!(emulator.send_xmodem(&application(board)));
        emulator.expect(&ready(board), SECOND);
    }
}

#[test]
fn damaged_blocks_are_asked_for_again() {
    for board in BOARDS {
        let image = application_of(board, 3000);
        let mut emulator = with_loader(board);
        let complete = emulator.send_xmodem_over(&image, |transmission, bytes| match transmission {
            0 => bytes[3] ^= 0x80,              // data of the first block
            2 => bytes[132] ^= 0x01,            // CRC
            4 => bytes[1] ^= 0x10,              // number
            6 => bytes[2] ^= 0x10,              // complement of the number
            8 => bytes[0] = 0x00,               // SOH
            10 => bytes[0] = EOT,               // SOH, as the end
            12 => drop(bytes.remove(60)),       // a byte lost
            14 => bytes.insert(60, 0x55),       // a byte too many
            16 => bytes.truncate(40),           // the line pulled out
            18 => bytes.clear(),                // the same, earlier
            20 => bytes.extend([CAN, 1, 4, 6]), // noise after a block
            _ => {}
        });
        assert!(complete, "{board}: the sender gave up");
        emulator.expect(&ready(board), SECOND);
        assert_same_flash(board, &emulator.flash(), &flash_after(board, &image));
    }
}

#[test]
fn a_damaged_block_is_never_programmed() {
    for board in BOARDS {
        let page = page(board);
        let mut emulator = with_loader(board);
        wait_for_prompt(&mut emulator, board);
        let mut number = 0;
        let mut fill_page = |emulator: &mut Emulator, data: u8, damage_last: bool| {
            for n in 1..=page / 128 {
                let mut bytes = block(number + n as u8, &[data; 128]);
                if damage_last && n == page / 128 {
                    bytes[70] ^= 0x20;
                    exchange(emulator, &bytes, NAK);
                } else {
                    exchange(emulator, &bytes, ACK);
                }
            }
            if !damage_last {
                number += (page / 128) as u8;
            }
        };
        fill_page(&mut emulator, 0x11, false);
        let before = emulator.flash();
        fill_page(&mut emulator, 0x22, true);
        emulator.run(SECOND / 10);
        assert_same_flash(board, &emulator.flash(), &before);
        let good = block(2 * (page / 128) as u8, &[0x33; 128]);
        exchange(&mut emulator, &good, ACK);
        assert!(emulator.flash()[2 * page - 128..2 * page].iter().all(|byte| *byte == 0x33), "{board}");
    }
}

#[test]
fn flash_that_does_not_hold_what_came_is_noticed_and_never_started() {
    for board in BOARDS {
        for stuck in [4, page(board) as u32 + 5] {
            let mut emulator = with_loader(board);
            emulator.make_stuck(stuck);
            assert!(!emulator.send_xmodem(&application_of(board, 2 * page(board))), "{board}, 0x{stuck:05X}: taken");
            emulator.run(SECOND);
            emulator.reset();
            emulator.expect(&greeting(board), SECOND);
            assert!(emulator.run(3 * SECOND).iter().all(|byte| *byte == PROMPT), "{board}, 0x{stuck:05X}: started");
        }
    }
}

#[test]
fn a_block_that_comes_again_is_taken_once() {
    for board in BOARDS {
        let mut emulator = with_loader(board);
        wait_for_prompt(&mut emulator, board);
        let blocks: Vec<[u8; 128]> = (0..5).map(|n| [0x40 + n; 128]).collect();
        for (number, data) in (1..).zip(&blocks) {
            exchange(&mut emulator, &block(number, data), ACK);
            exchange(&mut emulator, &block(number, data), ACK);
        }
        exchange(&mut emulator, &[EOT], NAK);
        exchange(&mut emulator, &[EOT], ACK);
        let flash = emulator.flash();
        assert_eq!(flash[..5 * 128], blocks.concat(), "{board}");
        assert!(flash[5 * 128..reservation(board) as usize].iter().all(|byte| *byte == 0xFF), "{board}: the rest of the last page");
    }
}

#[test]
fn a_block_out_of_order_ends_the_transfer() {
    for board in BOARDS {
        let mut emulator = with_loader(board);
        wait_for_prompt(&mut emulator, board);
        exchange(&mut emulator, &block(1, &[0; 128]), ACK);
        exchange(&mut emulator, &block(3, &[0; 128]), CAN);
        exchange(&mut emulator, &[], CAN);
        emulator.expect("CC", 2 * SECOND);
        assert_same_flash(board, &emulator.flash(), &flash_with_loader(board));
    }
}

/// Breaks a transfer off in some way and expects a loader that still answers, now and after a reset.
fn broken_off(board: &str, break_off: impl Fn(&mut Emulator)) {
    let mut emulator = with_both(board);
    wait_for_prompt(&mut emulator, board);
    for number in 1..=5 {
        exchange(&mut emulator, &block(number, &[0x5A; 128]), ACK);
    }
    break_off(&mut emulator);
    emulator.expect("CC", 8 * SECOND);

    emulator.reset();
    wait_for_prompt(&mut emulator, board);
    assert!(emulator.run(3 * SECOND).iter().all(|byte| *byte == PROMPT), "{board}: half an application was started");
    assert!(emulator.send_xmodem(&application(board)), "{board}: the sender gave up");
    emulator.expect(&ready(board), SECOND);
}

#[test]
fn a_transfer_that_the_sender_cancels_leaves_a_loader_that_answers() {
    for board in BOARDS {
        broken_off(board, |emulator| emulator.send(&[CAN, CAN]));
    }
}

#[test]
fn a_sender_that_vanishes_leaves_a_loader_that_answers() {
    for board in BOARDS {
        broken_off(board, |emulator| {
            emulator.send(&block(6, &[0x5A; 128])[..50]);
            // Ten waits in all, a question after each but the last.
            let asked = emulator.run(6 * SECOND);
            assert!(asked.starts_with(&[NAK, NAK, NAK, NAK, NAK, NAK, NAK, NAK, NAK, CAN, CAN]), "{board}: {}", asked.escape_ascii());
        });
    }
}

#[test]
fn a_reset_in_the_middle_leaves_a_loader_that_answers() {
    for board in BOARDS {
        broken_off(board, |emulator| {
            emulator.send(&block(6, &[0x5A; 128]));
            emulator.run(SECOND / 100);
            emulator.reset();
        });
    }
}

/// Registers at the application's first instruction that differ from their initial values in the datasheets (from memory: register
/// summaries of 8271, 8272 and 2549).
fn registers_that_differ(emulator: &mut Emulator, board: &str) -> Vec<String> {
    let stack_top: u16 = match board {
        "vent" => 0x40FF,
        "pump" => 0x21FF,
        _ => 0x08FF,
    };
    let expected = [
        ("SREG I", 0x5F, 0x80, 0x00),
        ("RAMPZ", 0x5B, 0xFF, 0x00),
        ("EIND", 0x5C, 0xFF, 0x00),
        ("SPL", 0x5D, 0xFF, stack_top as u8),
        ("SPH", 0x5E, 0xFF, (stack_top >> 8) as u8),
        ("WDTCSR", 0x60, 0xFF, 0x00),
        ("SPMCSR", 0x57, 0xFF, 0x00),
        ("MCUCR IVSEL", 0x55, 0x02, 0x00),
        ("UCSR0A", 0xC0, 0xFF, 0x20),
        ("UCSR0B", 0xC1, 0xFF, 0x00),
        ("UCSR0C", 0xC2, 0xFF, 0x06),
        ("UBRR0L", 0xC4, 0xFF, 0x00),
        ("UBRR0H", 0xC5, 0xFF, 0x00),
        ("TCCR1A", 0x80, 0xFF, 0x00),
        ("TCCR1B", 0x81, 0xFF, 0x00),
        ("TCNT1L", 0x84, 0xFF, 0x00),
        ("TCNT1H", 0x85, 0xFF, 0x00),
        ("TIFR1", 0x36, 0xFF, 0x00),
    ];
    let mut differ = Vec::new();
    for (name, address, mask, value) in expected {
        let seen = emulator.peek(address) & mask;
        if seen != value {
            differ.push(format!("{name} is 0x{seen:02X}, not 0x{value:02X}"));
        }
    }
    differ
}

#[test]
fn the_application_finds_the_chip_as_after_a_reset() {
    for board in BOARDS {
        let mut emulator = with_loader(board);
        assert!(emulator.send_xmodem(&application(board)));
        emulator.run_to(0, SECOND);
        assert_eq!(registers_that_differ(&mut emulator, board), [""; 0], "{board}, after a transfer");

        emulator.reset();
        emulator.run_to(0, 3 * SECOND);
        assert_eq!(registers_that_differ(&mut emulator, board), [""; 0], "{board}, after the wait");
        assert_eq!(emulator.peek(0x54), 0x02, "{board}: MCUSR still names the external reset");
    }
}

#[test]
fn a_watchdog_that_reset_the_chip_is_stopped() {
    for board in BOARDS {
        let mut emulator = with_both(board);
        emulator.expect(&ready(board), 3 * SECOND);
        emulator.send(b"W");
        emulator.expect(&greeting(board), SECOND);
        emulator.run_to(0, 3 * SECOND);
        assert_eq!(emulator.peek(0x60), 0, "{board}: WDTCSR");
        assert_eq!(emulator.peek(0x54) & 0x08, 0, "{board}: WDRF in MCUSR");
        assert_eq!(emulator.run(SECOND), [b"CCCC".as_slice(), ready(board).as_bytes()].concat(), "{board}");
    }
}
