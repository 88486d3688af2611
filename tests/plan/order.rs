//! The order of a plan's steps, and what is left out of it.

use super::made_up::*;
use farrier::board::{Board, Chip};
use farrier::image::{ByteAddress, Image, Memory, Span};
use farrier::plan::*;
use farrier::units::Hertz;
use std::time::Duration;

/// A plan as one word a step.
fn words(plan: &Plan) -> Vec<String> {
    let word = |step: &Step| match &step.kind {
        StepKind::Enter { slowest_first: false } => "enter".to_string(),
        StepKind::Enter { slowest_first: true } => "enter-slowly".to_string(),
        StepKind::Erase => "erase".to_string(),
        StepKind::WriteFlash { region, pages, .. } => format!("{region}:{}", pages.len()),
        StepKind::WriteEeprom { pages, .. } => format!("eeprom:{}", pages.len()),
        StepKind::WriteConfiguration { byte, value } => format!("configuration:{byte}={value:02X}"),
        StepKind::WriteLock { value } => format!("lock={value:02X}"),
        StepKind::Verify { spans, configuration, lock } => {
            format!("verify:{}{}{}", spans.len(), tell(*configuration, "c"), tell(*lock, "l"))
        }
        StepKind::Release => "release".to_string(),
    };
    plan.steps().iter().map(word).collect()
}

fn tell(yes: bool, letter: &str) -> &str {
    if yes { letter } else { "" }
}

fn plan_for(intent: &Intent, observed: &Observed, chip: &Chip, board: &Board) -> Plan {
    let (desired, _) = desire(intent, observed, chip, board).unwrap();
    reconcile(observed, &desired, &target(chip, board)).unwrap().0
}

/// An application of 700 bytes, settings, and lock mode 2.
fn used(chip: &Chip) -> Observed {
    let mut observed = factory(chip);
    observed.flash.bytes.overlay(&application(700).image);
    observed.eeprom.bytes = Image::of(ByteAddress(0), &[0x42; EEPROM as usize]);
    observed.lock = Some(0xFE);
    observed
}

#[test]
fn a_loader_on_a_bare_board_needs_no_erase() {
    let chip = chip(Kind::Usual);
    let plan = plan_for(&install(), &factory(&chip), &chip, &board());
    // 300 bytes are 5 pages; the low byte has the clock, the high one the reset; 0xEF is boot-lock mode 2.
    let wanted = [
        "enter",
        "loader:5",
        "enter",
        "verify:1",
        "configuration:0=FE",
        "enter-slowly",
        "configuration:1=DC",
        "enter",
        "verify:2c",
        "lock=EF",
        "enter",
        "verify:0l",
        "release",
    ];
    assert_eq!(words(&plan), wanted);
}

#[test]
fn a_locked_board_is_erased_and_gets_everything_back_settings_first() {
    let chip = chip(Kind::Usual);
    let plan = plan_for(&install(), &used(&chip), &chip, &board());
    let steps = words(&plan);
    assert_eq!(steps[..5], ["enter", "erase", "eeprom:16", "loader:5", "application:11"]);
    assert_eq!(steps[steps.len() - 4..], ["lock=EE", "enter", "verify:0l", "release"]);
    assert!(plan.steps()[1].reason.contains("locked against writing"), "{}", plan.steps()[1].reason);
}

/// Whether an erase takes locked EEPROM is not known, so it is opened before; a chip locked as a whole lets that be only afterwards.
#[test]
fn eeprom_that_a_fuse_locks_is_opened_for_what_an_erase_may_take_and_locked_again() {
    let chip = chip(Kind::Usual);
    let locked = |lock: u8| {
        let mut observed = used(&chip);
        chip.field("upper-eeprom").unwrap().set(observed.configuration.as_mut().unwrap(), 0);
        Observed { lock: Some(lock), ..observed }
    };
    let plan = plan_for(&write(application(600)), &locked(0xFF), &chip, &board());
    let wanted =
        ["enter", "configuration:1=DF", "enter", "erase", "eeprom:16", "application:10", "enter", "verify:2", "configuration:1=9F"];
    assert_eq!(words(&plan)[..9], wanted);
    assert_eq!(plan.steps()[1].reason, "to open EEPROM 0x00018 to 0x0003F for this job: UPPER-EEPROM locks it");
    let plan = plan_for(&write(application(600)), &locked(0xFE), &chip, &board());
    assert_eq!(words(&plan)[..5], ["enter", "erase", "configuration:1=DF", "enter", "eeprom:16"]);
    let empty = Observed { eeprom: factory(&chip).eeprom, ..locked(0xFF) };
    assert_eq!(words(&plan_for(&write(application(600)), &empty, &chip, &board()))[..3], ["enter", "erase", "application:10"]);
    // What no step writes there stays locked: without an erase, or where the erase keeps the EEPROM.
    let lower = Intent { eeprom: Some(named("lower.hex", Image::of(ByteAddress(0), &[7; 24]))), ..Intent::default() };
    assert_eq!(words(&plan_for(&lower, &locked(0xFF), &chip, &board()))[..3], ["enter", "eeprom:6", "enter"]);
    let mut kept = locked(0xFF);
    chip.field("keep-eeprom").unwrap().set(kept.configuration.as_mut().unwrap(), 0);
    assert_eq!(words(&plan_for(&write(application(600)), &kept, &chip, &board()))[..3], ["enter", "erase", "application:10"]);
}

#[test]
fn an_eeprom_that_survives_the_erase_is_not_written() {
    let chip = chip(Kind::Usual);
    let mut observed = used(&chip);
    observed.configuration = Some(vec![0x7A, 0xD7, 0xFF]);
    let steps = words(&plan_for(&install(), &observed, &chip, &board()));
    assert_eq!(steps[..4], ["enter", "erase", "loader:5", "application:11"]);
}

#[test]
fn where_reset_and_clock_share_a_byte_the_clock_is_written_by_itself_first() {
    let chip = chip(Kind::Cramped);
    let steps = words(&plan_for(&install(), &factory(&chip), &chip, &board()));
    // First only the clock and its divider; then reset and boot section: bit 4 and bits 5 and 6.
    assert_eq!(steps[4..7], ["configuration:0=FE", "enter-slowly", "configuration:0=CE"]);
}

#[test]
fn a_configuration_change_alone_writes_one_byte_and_proves_everything() {
    let chip = chip(Kind::Usual);
    let plan = plan_for(&configure("brown-out", "4.3-v"), &factory(&chip), &chip, &board());
    assert_eq!(words(&plan), ["enter", "configuration:2=FC", "enter", "verify:2cl", "release"]);
    let Some(StepKind::Verify { spans, .. }) = plan.steps().iter().map(|step| &step.kind).nth(3) else { panic!("{plan:?}") };
    assert_eq!(spans, &[(Memory::Flash, Span::first(FLASH)), (Memory::Eeprom, Span::first(EEPROM))]);
}

#[test]
fn without_an_erase_only_pages_that_differ_are_written() {
    let chip = chip(Kind::Usual);
    let mut observed = factory(&chip);
    observed.flash.bytes.overlay(&application(700).image);
    let mut image = application(700);
    // One bit of page 3 is cleared.
    image.image.overwrite(ByteAddress(200), &[image.image.byte(ByteAddress(200)).unwrap() & !0x01]);
    let plan = plan_for(&write(image), &observed, &chip, &board());
    assert_eq!(words(&plan), ["enter", "application:1", "enter", "verify:2cl", "release"]);
    let StepKind::WriteFlash { pages, .. } = &plan.steps()[1].kind else { panic!("{plan:?}") };
    assert_eq!(pages, &[ByteAddress(192)]);
}

#[test]
fn pages_of_a_region_of_the_boards_own_carry_its_name() {
    let chip = chip(Kind::Usual);
    let plan = plan_for(&write(application(0x590)), &factory(&chip), &chip, &board());
    assert_eq!(words(&plan)[1..3], ["tables:2", "application:21"]);
}

#[test]
fn a_board_that_is_as_desired_gets_no_steps() {
    let chip = chip(Kind::Usual);
    assert_eq!(words(&plan_for(&Intent::default(), &used(&chip), &chip, &board())), [""; 0]);
}

#[test]
fn unused_bits_that_read_as_programmed_are_no_difference_and_are_written_as_one() {
    let chip = chip(Kind::Usual);
    let mut observed = factory(&chip);
    observed.configuration = Some(vec![0x3A, 0x9F, 0x07]);
    assert!(plan_for(&Intent::default(), &observed, &chip, &board()).changes_nothing());
    let plan = plan_for(&configure("brown-out", "2.7-v"), &observed, &chip, &board());
    assert_eq!(words(&plan)[1], "configuration:2=FD");
}

#[test]
fn every_byte_has_an_origin() {
    let chip = chip(Kind::Usual);
    let observed = used(&chip);
    let intent = Intent { configuration: vec![("brown-out".into(), "4.3-v".into())], ..install() };
    let (desired, _) = desire(&intent, &observed, &chip, &board()).unwrap();
    let origin = |memory, at| desired.origin(memory, ByteAddress(at)).cloned();
    assert_eq!(origin(Memory::Flash, 0), Some(Origin::Baseline));
    assert_eq!(origin(Memory::Flash, RESERVED.0), Some(Origin::Image("vent-loader".into())));
    assert_eq!(origin(Memory::Flash, RESERVED.0 + 300), Some(Origin::Blank));
    assert_eq!(origin(Memory::Eeprom, 63), Some(Origin::Baseline));
    assert_eq!(origin(Memory::Configuration, 0), Some(Origin::BoardFile));
    assert_eq!(origin(Memory::Configuration, 2), Some(Origin::Asked));
    assert_eq!(origin(Memory::Lock, 0), Some(Origin::BoardFile));
    let told: u32 = desired.origins.iter().map(|(_, span, _)| span.len()).sum();
    assert_eq!(told, FLASH + EEPROM + 3 + 1, "each byte has one origin");
}

#[test]
fn taking_the_loader_off_gives_the_room_back_and_keeps_the_application() {
    let chip = chip(Kind::Usual);
    let bare = Observed { lock: Some(0xFF), ..used(&chip) };
    let (fitted, _) = desire(&install(), &bare, &chip, &board()).unwrap();
    let observed = Observed {
        flash: Contents { bytes: fitted.flash, unreadable: None },
        configuration: Some(fitted.configuration),
        lock: Some(fitted.lock),
        ..bare.clone()
    };
    let (desired, _) = desire(&Intent { loader: LoaderIntent::Remove, ..Intent::default() }, &observed, &chip, &board()).unwrap();
    assert_eq!(desired.flash, bare.flash.bytes);
    assert_eq!(desired.lock, 0xFF);
    // Reset starts the application; the boot section keeps its size.
    assert_eq!(desired.configuration[1], 0xDD);
}

#[test]
fn names_that_the_chip_does_not_have_are_told_with_those_that_it_has() {
    let chip = chip(Kind::Usual);
    let wrong = |intent: &Intent| desire(intent, &factory(&chip), &chip, &board()).unwrap_err().to_string();
    let field = wrong(&configure("brownout", "off"));
    assert!(field.contains("'brownout'") && field.contains("brown-out"), "{field}");
    let value = wrong(&configure("brown-out", "3-v"));
    assert!(value.contains("'3-v'") && value.contains("2.7-v"), "{value}");
}

#[test]
fn a_board_without_a_reservation_takes_no_loader() {
    let chip = chip(Kind::Usual);
    let board = Board { reservation: None, ..board() };
    assert_eq!(desire(&install(), &factory(&chip), &chip, &board), Err(DesireError::NoReservation { board: "vent".into() }));
}

#[test]
fn a_configuration_that_was_not_read_is_an_error_and_not_a_guess() {
    let chip = chip(Kind::Usual);
    let blind = Observed { configuration: None, ..factory(&chip) };
    assert!(matches!(desire(&install(), &blind, &chip, &board()), Err(DesireError::NotRead { expected: 3, found: 0, .. })));
}

#[test]
fn a_plan_survives_the_journal() {
    let chip = chip(Kind::Usual);
    let plan = plan_for(&install(), &used(&chip), &chip, &board());
    let text = serde_json::to_string(&plan).unwrap();
    assert_eq!(serde_json::from_str::<Plan>(&text).unwrap(), plan);
}

#[test]
fn everything_that_an_erase_could_take_is_read_configuration_and_lock_first() {
    let chip = chip(Kind::Usual);
    let first = |memory, bytes| (memory, Span::first(bytes));
    let wanted = [first(Memory::Configuration, 3), first(Memory::Lock, 1), first(Memory::Flash, FLASH), first(Memory::Eeprom, EEPROM)];
    assert_eq!(what_to_read(&chip, &chip.ways_in[0]), wanted);
    assert_eq!(unreadable(&chip, 0xFE), None);
    assert!(unreadable(&chip, 0xFC).is_some());
    // A reserved value of the lock is taken for the worst.
    assert!(unreadable(&chip, 0xFD).is_some());
}

#[test]
fn the_estimate_is_the_chips_timing_and_the_clocks() {
    let chip = chip(Kind::Usual);
    let board = board();
    let (desired, _) = desire(&install(), &factory(&chip), &chip, &board).unwrap();
    let at = |clock, link| {
        let pace = Pace { programming_clock: Hertz(clock), bytes_per_second: link };
        let (plan, _) = reconcile(&factory(&chip), &desired, &Target { pace, ..target(&chip, &board) }).unwrap();
        plan.steps()[1].estimate
    };
    // 5 pages of 64 bytes: 65 instructions of 32 bits at 1 MHz are 2.08 ms, and 4.5 ms for the write.
    assert_eq!(at(1_000_000, 1_000_000), Duration::from_micros(5 * (2_080 + 4_500)));
    // A link of 640 bytes a second takes 100 ms a page.
    assert_eq!(at(1_000_000, 640), Duration::from_millis(5 * 100));
}

#[test]
fn what_comes_after_the_clock_change_is_estimated_on_the_new_clock() {
    let (chip, board) = (chip(Kind::Usual), board());
    let plan = plan_for(&install(), &factory(&chip), &chip, &board);
    let verify = plan.steps().iter().rev().find(|step| step.bytes > FLASH).unwrap();
    // From 1 MHz to 16 MHz the limit grows from 249,999 Hz to 2,666,666 Hz. Flash and configuration are 2051 instructions of 32
    // bits; for the EEPROM the 16 checksums of 4 bytes take longer than its 64 instructions.
    let wanted = Duration::from_secs(1) * 2051 * 32 / 2_666_666 + Duration::from_secs(1) * 16 * 4 / 50_000;
    assert!(verify.estimate.abs_diff(wanted) < Duration::from_micros(10), "{:?}, not {wanted:?}", verify.estimate);
}

#[test]
fn an_outline_on_the_factory_state_plans_the_worst_and_says_what_is_open() {
    let chip = chip(Kind::Usual);
    let board = board();
    let (outline, findings) = outline(&install(), Basis::Factory, &target(&chip, &board)).unwrap();
    let unknown: Vec<u32> = outline.steps.iter().map(|step| step.as_read_then).filter(|bytes| *bytes > 0).collect();
    // All of the EEPROM, the tables and the rest of the application's 1536 bytes; the loader's are known.
    assert_eq!(unknown, [EEPROM, 128, 1536 - 128]);
    assert!(outline.steps.iter().any(|step| step.step.kind == StepKind::Erase));
    use farrier::finding::Kind as K;
    for kind in [K::WrongChip, K::ApplicationOverlapsReservation, K::SettingsLost, K::SupplyOutOfRange] {
        assert!(outline.open.contains(&kind), "{} is not open", kind.name());
    }
    assert!(findings.iter().all(|finding| !outline.open.contains(&finding.kind)), "{findings:#?}");
}

#[test]
fn an_outline_on_a_snapshot_knows_every_byte() {
    let chip = chip(Kind::Usual);
    let board = board();
    let observed = used(&chip);
    let (outline, _) = outline(&install(), Basis::Snapshot(&observed), &target(&chip, &board)).unwrap();
    let plan = plan_for(&install(), &observed, &chip, &board);
    assert!(outline.steps.iter().map(|step| &step.step).eq(plan.steps()));
    assert!(outline.steps.iter().all(|step| step.as_read_then == 0));
}
