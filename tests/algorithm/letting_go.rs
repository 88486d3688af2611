//! RESET, the power line and the clock output are let go on every way out.

use super::chips::atmega328p;
use super::script::{Script, healthy};
use farrier::algorithm::avr_spi::{AvrSpi, Rung};
use farrier::algorithm::{AlgorithmError, Ending};
use farrier::bus::{BusError, Drive, Line, Operation, Why};
use farrier::image::{ByteAddress, Image, Memory, Span};
use farrier::units::Hertz;
use std::ops::ControlFlow;
use std::time::Duration;

const RUNG: [Rung; 1] = [Rung { programming_clock: Hertz(2_000_000), clock_output: Some(Hertz(8_000_000)) }];

fn on(_: u32) -> ControlFlow<()> {
    ControlFlow::Continue(())
}

fn assert_let_go(script: &Script, why: &str) {
    assert_eq!(script.reset(), Some(Drive::Release), "RESET after {why}");
    assert_eq!(script.line(Line::Power), Some(Drive::Release), "power after {why}");
    assert_eq!(script.clock_output(), None, "clock output after {why}");
    let lines: Vec<Line> =
        script.log.iter().filter_map(|o| if let Operation::Line { line, .. } = o { Some(*line) } else { None }).collect();
    assert_eq!(lines[lines.len() - 2..], [Line::Reset, Line::Power], "RESET first, after {why}");
}

/// Everything that the algorithm can do, one after the other, up to the first error.
fn everything(avr: &mut AvrSpi) -> Result<(), AlgorithmError> {
    let pages: Vec<ByteAddress> = (0..8).map(|n| ByteAddress(n * 128)).collect();
    let image = Image::of(ByteAddress(0), &[0x00; 1024]);
    avr.enter(&RUNG)?;
    avr.identify()?;
    avr.erase()?;
    let _ = avr.write_flash(&image, &pages, &mut on)?;
    let _ = avr.write_eeprom(&image, &pages, &mut on)?;
    let _ = avr.read(Memory::Flash, Span::first(1024), &mut on)?;
    let _ = avr.checksums(Memory::Eeprom, Span::first(1024), &mut on)?;
    avr.write_configuration(0, 0x62)?;
    avr.write_lock(0xFF)?;
    avr.release()
}

fn errors() -> Vec<fn() -> BusError> {
    vec![
        || BusError::Failed { operation: 0, why: Why::NotSupported },
        || BusError::Restarted,
        || BusError::NoAnswer { waited: Duration::from_secs(1), tries: 3 },
        || BusError::Nonsense { what: "noise".to_owned() },
        || BusError::Wire(std::io::Error::from(std::io::ErrorKind::BrokenPipe)),
    ]
}

#[test]
fn after_a_failure_of_any_single_operation() {
    let chip = atmega328p();
    let mut whole = Script::new();
    everything(&mut AvrSpi::new(&mut whole, &chip)).unwrap();
    assert_let_go(&whole, "the whole work");
    let first_line = whole.log.iter().position(|o| matches!(o, Operation::Line { .. })).unwrap();
    let release = whole.log.iter().rposition(|o| *o == Operation::Line { line: Line::Reset, drive: Drive::Release }).unwrap();

    for at in first_line..release {
        for error in errors() {
            let mut script = Script::new();
            script.failure = Box::new(move |number, _| (number == at).then(error));
            let failed = everything(&mut AvrSpi::new(&mut script, &chip));
            let Err(failed) = failed else { panic!("operation {at} failed and nobody said so") };
            assert_eq!(failed.restarted(), matches!(error(), BusError::Restarted), "operation {at}: {failed}");
            assert_let_go(&script, &format!("{:?} at operation {at}, {:?}", error(), whole.log[at]));
        }
    }
}

#[test]
fn when_the_chip_does_not_answer() {
    let chip = atmega328p();
    let mut script = Script::answering(|_, _| [0xFF; 4]);
    let mut avr = AvrSpi::new(&mut script, &chip);
    assert!(matches!(avr.enter(&RUNG), Err(AlgorithmError::NoAnswer(_))));
    std::mem::forget(avr);
    assert_let_go(&script, "an entry without answer, at once and not only when dropped");
}

#[test]
fn when_the_chip_stays_busy() {
    let chip = atmega328p();
    let mut script = Script::answering(|sent, _| if sent[0] == 0xF0 { [0, 0, 0, 1] } else { healthy(sent) });
    assert!(matches!(everything(&mut AvrSpi::new(&mut script, &chip)), Err(AlgorithmError::StillBusy { .. })));
    assert_let_go(&script, "a chip that stays busy");
}

#[test]
fn when_the_chip_is_gone_after_its_erase() {
    let chip = atmega328p();
    let mut erased = false;
    let mut script = Script::answering(move |sent, _| {
        erased |= sent[..2] == [0xAC, 0x80];
        if erased && sent[..2] == [0xAC, 0x53] { [0; 4] } else { healthy(sent) }
    });
    assert!(matches!(everything(&mut AvrSpi::new(&mut script, &chip)), Err(AlgorithmError::NoAnswer(_))));
    assert_let_go(&script, "a chip gone after its erase");
}

#[test]
fn when_a_locked_chip_refuses() {
    let chip = atmega328p();
    let mut script = Script::answering(|sent, _| if sent[..2] == [0x58, 0x00] { [0, 0, 0, 0xFC] } else { healthy(sent) });
    assert!(matches!(everything(&mut AvrSpi::new(&mut script, &chip)), Err(AlgorithmError::Locked { .. })));
    assert_let_go(&script, "a locked chip");
}

#[test]
fn when_the_work_is_stopped_and_the_algorithm_dropped() {
    let chip = atmega328p();
    let mut script = Script::new();
    let mut avr = AvrSpi::new(&mut script, &chip);
    avr.enter(&RUNG).unwrap();
    let ending = avr.read(Memory::Flash, Span::first(0x8000), &mut |_| ControlFlow::Break(())).unwrap();
    assert!(matches!(ending, Ending::Stopped { .. }));
    drop(avr);
    assert_let_go(&script, "a stop");
}

#[test]
fn when_a_panic_unwinds_through_it() {
    let chip = atmega328p();
    let mut script = Script::new();
    let caught = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        let mut avr = AvrSpi::new(&mut script, &chip);
        avr.enter(&RUNG).unwrap();
        std::panic::resume_unwind(Box::new("a caller's panic"));
    }));
    assert!(caught.is_err());
    assert_let_go(&script, "a panic");
}

#[test]
fn once_only_and_never_before_an_entry() {
    let chip = atmega328p();
    let mut script = Script::new();
    drop(AvrSpi::new(&mut script, &chip));
    assert!(script.log.is_empty(), "a chip that was never touched is left alone");

    let mut avr = AvrSpi::new(&mut script, &chip);
    avr.enter(&RUNG).unwrap();
    avr.release().unwrap();
    assert!(matches!(avr.identify(), Err(AlgorithmError::NotEntered { .. })), "a chip that was let go is not spoken to");
    drop(avr);
    let released = script.log.iter().filter(|o| **o == Operation::Line { line: Line::Reset, drive: Drive::Release }).count();
    assert_eq!(released, 1);
}

#[test]
fn after_an_error_the_chip_must_be_entered_again() {
    let chip = atmega328p();
    let mut script = Script::new();
    let mut reads = 0;
    script.failure = Box::new(move |_, operation| {
        reads += u32::from(matches!(operation, Operation::Pattern(_)));
        (reads == 3).then_some(BusError::Restarted)
    });
    let mut avr = AvrSpi::new(&mut script, &chip);
    avr.enter(&RUNG).unwrap();
    let error = avr.read(Memory::Flash, Span::first(4096), &mut on).unwrap_err();
    assert!(error.restarted());
    assert!(matches!(avr.identify(), Err(AlgorithmError::NotEntered { .. })));
    drop(avr);
}
