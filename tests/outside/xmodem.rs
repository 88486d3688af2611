//! Our XMODEM sender against receivers: the loader in an emulator, and a library that nobody here wrote.

use super::emulator::{Emulator, flash_with_loader};
use super::loaders::{BOARDS, application, ready};
use super::python;
use farrier::board::Catalog;
use farrier::link::{Noise, NoisyWire, SerialWire, Transfer, TransferError, Wire, send_xmodem};
use farrier::time::{Clock, Moment, SharedClock, VirtualClock};
use std::cell::RefCell;
use std::io::{self, BufRead, BufReader};
use std::ops::ControlFlow;
use std::path::Path;
use std::process::{Command, Stdio};
use std::rc::Rc;
use std::time::Duration;

/// How finely the emulator's time goes on while nothing comes.
const SLICE: Duration = Duration::from_millis(2);
const BAUD: u32 = 38_400;

/// UART0 of an emulated board as a wire, in its own time.
struct Line {
    board: Rc<RefCell<Emulator>>,
    clock: Rc<VirtualClock>,
}

impl Wire for Line {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.board.borrow_mut().send(bytes);
        Ok(())
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        while into.is_empty() && self.clock.now() < deadline {
            into.extend(self.board.borrow_mut().run(SLICE));
            self.clock.wait_until(self.clock.now().plus(SLICE));
        }
        Ok(())
    }

    fn clock(&self) -> SharedClock {
        self.clock.clone()
    }

    fn bytes_per_second(&self) -> u32 {
        BAUD / 10
    }
}

/// A board with its loader and nothing else, and the line to it.
fn board_with_loader(board: &str) -> (Rc<RefCell<Emulator>>, Line) {
    let start = Catalog::built_in().board(board).unwrap().0.reservation.unwrap().span.start().0;
    let emulator = Rc::new(RefCell::new(Emulator::boot(board, &flash_with_loader(board), start)));
    (emulator.clone(), Line { board: emulator, clock: Rc::default() })
}

fn transfer(bytes: &[u8]) -> Transfer<'_> {
    Transfer { bytes, fill: 0xFF, asked_within: Duration::from_secs(10) }
}

/// A demo application, filled up with bytes that look random to `bytes` in all.
fn application_of(board: &str, bytes: usize) -> Vec<u8> {
    let mut image = application(board);
    let mut random = fastrand::Rng::with_seed(0x0A13);
    image.resize_with(bytes, || random.u8(..));
    image
}

#[test]
fn the_loader_takes_what_our_sender_sends_and_starts_it() {
    for board in BOARDS {
        let (emulator, mut line) = board_with_loader(board);
        let image = application_of(board, 1500);
        let mut seen = 0;
        let sent = send_xmodem(&mut line, &transfer(&image), &mut |_| {
            seen += 1;
            ControlFlow::Continue(())
        });
        let after = sent.unwrap_or_else(|error| panic!("{board}: {error}"));
        assert!(seen > image.len() / 128, "{board}: progress was told {seen} times");
        let heard = [after, emulator.borrow_mut().run(Duration::from_secs(1))].concat();
        let heard = String::from_utf8_lossy(&heard);
        assert_eq!(heard, ready(board), "nothing that came behind the last answer is lost");
        let flash = emulator.borrow_mut().flash();
        assert!(flash[..1500] == image, "{board}: the flash is not the image");
        assert!(flash[1500..1536].iter().all(|byte| *byte == 0xFF), "{board}: the last block is filled up with blank bytes");
    }
}

#[test]
fn on_a_bad_line_nothing_wrong_stays_in_flash() {
    let (emulator, line) = board_with_loader("frost");
    let noise = Noise::bytes(2500);
    let mut line = NoisyWire::new(Box::new(line), noise, 7);
    let image = application_of("frost", 6000);
    let sent = send_xmodem(&mut line, &transfer(&image), &mut |_| ControlFlow::Continue(()));
    assert!(sent.is_ok(), "{sent:?}");
    assert!(emulator.borrow_mut().flash()[..6000] == image, "the flash is not the image");
}

#[test]
fn an_image_that_reaches_into_the_loader_is_refused_by_it() {
    let (emulator, mut line) = board_with_loader("frost");
    emulator.borrow_mut().hurry(8);
    let image = application_of("frost", 0x7C00 + 1);
    let refused = send_xmodem(&mut line, &transfer(&image), &mut |_| ControlFlow::Continue(()));
    assert!(matches!(refused, Err(TransferError::Refused { block: 249, of: 249 })), "{refused:?}");
}

#[test]
fn a_transfer_that_is_stopped_leaves_a_loader_that_waits() {
    let (emulator, mut line) = board_with_loader("frost");
    let image = application_of("frost", 3000);
    let stopped = send_xmodem(&mut line, &transfer(&image), &mut |progress| match progress {
        farrier::link::Progress::Taken(1024) => ControlFlow::Break(()),
        _ => ControlFlow::Continue(()),
    });
    assert!(matches!(stopped, Err(TransferError::Stopped { taken: 1024 })), "{stopped:?}");
    emulator.borrow_mut().expect("C", Duration::from_secs(3));
    let sent = send_xmodem(&mut line, &transfer(&image), &mut |_| ControlFlow::Continue(()));
    assert!(sent.is_ok(), "{sent:?}");
}

#[test]
fn without_a_loader_that_asks_what_was_heard_is_told() {
    let (_, mut line) = board_with_loader("frost");
    let silent = Transfer { asked_within: Duration::from_millis(3), ..transfer(&[1]) };
    let told = send_xmodem(&mut line, &silent, &mut |_| ControlFlow::Continue(())).expect_err("nothing asked").to_string();
    assert!(told.contains("nothing asked for a transfer"), "{told}");
    assert!(told.contains("heard: \"f"), "the greeting has begun: {told}");
}

/// The PyPI package xmodem, which says itself that every block was right.
#[test]
fn a_receiver_that_nobody_here_wrote_takes_every_length() {
    for bytes in [1_usize, 127, 128, 129, 5000, 128 * 257] {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("received");
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/emulator/receive_xmodem.py");
        let mut receiver = Command::new(python()).arg(script).arg(&file).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let mut said = BufReader::new(receiver.stdout.take().unwrap()).lines();
        let port = said.next().unwrap().unwrap();
        let mut random = fastrand::Rng::with_seed(bytes as u64);
        let image: Vec<u8> = (0..bytes).map(|_| random.u8(..)).collect();
        let mut wire = SerialWire::open(&port, 115_200).unwrap();
        let sent = send_xmodem(&mut wire, &transfer(&image), &mut |_| ControlFlow::Continue(()));
        assert!(sent.is_ok(), "{bytes}: {sent:?}");
        let blocks = bytes.next_multiple_of(128);
        assert_eq!(said.next().unwrap().unwrap(), blocks.to_string());
        drop(receiver.stdin.take());
        receiver.wait().unwrap();
        let received = std::fs::read(&file).unwrap();
        assert!(received[..bytes] == image && received[bytes..].iter().all(|byte| *byte == 0xFF), "{bytes}");
    }
}
