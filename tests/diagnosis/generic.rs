//! Boards of which nothing is known but the chip: what their own snapshots tell of them.

use super::{Given, diagnosed_of, kinds, read, used_of};
use farrier::board::{Board, Catalog, Chip};
use farrier::diagnosis::{Diagnosis, Kept, Recognised};
use farrier::image::{ByteAddress, Span};
use farrier::plan::{Observed, Part};

fn generic() -> (Board, Chip) {
    Catalog::built_in().board("generic-attiny85").expect("a generic board")
}

fn used() -> Observed {
    used_of(&generic())
}

/// A snapshot with the tag that the board in hand has.
fn kept(held: Observed) -> [Kept; 1] {
    [Kept::of("kept".into(), "ATtiny85", Some("1187"), held)]
}

fn diagnosed(observed: Observed, snapshots: &[Kept]) -> Diagnosis {
    diagnosed_of(&generic(), read(observed), Given { snapshots, tag: Some("1187"), ..Given::default() })
}

fn set(mut observed: Observed, fields: &[(&str, &str)]) -> Observed {
    let (_, chip) = generic();
    for (field, value) in fields {
        let field = chip.field(field).expect("a field");
        field.set(observed.configuration.as_mut().expect("read"), field.value(value).expect("a value").bits);
    }
    observed
}

fn with_flash(mut observed: Observed, at: u32, bytes: &[u8]) -> Observed {
    observed.flash.bytes.overwrite(ByteAddress(at), bytes);
    observed
}

fn blank() -> Observed {
    let (_, chip) = generic();
    let mut blank = used();
    blank.flash.bytes.overwrite(ByteAddress(0), &vec![0xFF; chip.flash.bytes as usize]);
    blank.eeprom.bytes.overwrite(ByteAddress(0), &vec![0xFF; chip.eeprom.bytes as usize]);
    blank
}

fn restores(diagnosis: &Diagnosis) -> Option<Vec<Part>> {
    diagnosis.remedy.intent.as_ref()?.restore.as_ref().map(|back| back.parts.clone())
}

#[test]
fn a_watchdog_that_is_always_on_is_asked_about_unless_it_was_so_before() {
    let on = || set(used(), &[("watchdog", "always-on")]);
    let asked = diagnosed(on(), &[]);
    assert_eq!(kinds(&asked), ["watchdog-always-on"]);
    assert!(asked.remedy.left[0].contains("`farrier configure watchdog=by-firmware`"), "{:?}", asked.remedy);
    let before = diagnosed(on(), &kept(used()));
    assert_eq!(before.remedy.intent.expect("a plan").configuration, [("watchdog".to_owned(), "by-firmware".to_owned())]);
    assert_eq!(kinds(&diagnosed(on(), &kept(on()))), Vec::<&str>::new(), "it was always on");
    let left = Recognised { words: "holds exactly what job 41 left".into(), settings: true, tag: None, snapshots: Vec::new() };
    let recognised = diagnosed_of(&generic(), read(on()), Given { recognised: Some(&left), ..Given::default() });
    assert_eq!(kinds(&recognised), Vec::<&str>::new(), "a job left it so");
}

#[test]
fn a_clock_too_slow_for_a_usual_programming_clock_is_told_unless_it_was_so_before() {
    let slow = || set(used(), &[("clock", "internal-128-khz"), ("clock-divider", "on")]);
    assert_eq!(kinds(&diagnosed(slow(), &[])), ["clock-slow"]);
    assert_eq!(kinds(&diagnosed(slow(), &kept(slow()))), Vec::<&str>::new());
    // As shipped, and undivided: nobody knows what it should be, and nothing is in the way.
    assert_eq!(kinds(&diagnosed(used(), &[])), Vec::<&str>::new());
    assert_eq!(kinds(&diagnosed(set(used(), &[("clock-divider", "off")]), &[])), Vec::<&str>::new());
}

#[test]
fn an_application_is_held_against_that_of_the_boards_own_snapshot() {
    let (_, chip) = generic();
    let page = chip.flash.page;
    let half = || with_flash(used(), 8 * page, &vec![0xFF; 0x1000]);
    let told = diagnosed(half(), &kept(used()));
    assert_eq!((kinds(&told), restores(&told)), (vec!["application-half-written"], Some(vec![Part::Flash])));
    // Without it, or with another board's, nobody can know.
    assert_eq!(kinds(&diagnosed(half(), &[])), Vec::<&str>::new());
    let others = [Kept { tag: Some("1188".into()), ..kept(used())[0].clone() }];
    assert_eq!(kinds(&diagnosed(half(), &others)), Vec::<&str>::new());
    // Other bytes in some pages may be a newer application.
    let newer = with_flash(used(), 8 * page, &vec![0x5A; page as usize]);
    assert_eq!(kinds(&diagnosed(newer, &kept(used()))), Vec::<&str>::new());
}

#[test]
fn a_blank_chip_was_erased_where_its_own_snapshot_has_something() {
    let erased = diagnosed(blank(), &kept(used()));
    assert_eq!((kinds(&erased), restores(&erased)), (vec!["chip-erased"], Some(vec![Part::Flash, Part::Eeprom])));
    assert_eq!(kinds(&diagnosed(blank(), &kept(blank()))), ["as-shipped"]);
    // A snapshot without a tag may be this board's or not.
    let untagged = [Kept { tag: None, ..kept(used())[0].clone() }];
    let new = diagnosed(blank(), &untagged);
    assert_eq!((kinds(&new), restores(&new)), (vec!["as-shipped"], None));
    assert!(new.remedy.left[0].contains("--to kept"), "{:?}", new.remedy);
}

#[test]
fn a_blank_eeprom_lost_settings_where_its_own_snapshot_has_some() {
    let (_, chip) = generic();
    let store = Span::first(chip.eeprom.bytes);
    let mut wiped = used();
    wiped.eeprom.bytes.overwrite(store.start(), &vec![0xFF; store.len() as usize]);
    let told = diagnosed(wiped.clone(), &kept(used()));
    assert_eq!((kinds(&told), restores(&told)), (vec!["settings-blank"], Some(vec![Part::Eeprom])));
    assert_eq!(kinds(&diagnosed(wiped.clone(), &[])), Vec::<&str>::new());
    assert_eq!(kinds(&diagnosed(wiped.clone(), &kept(wiped))), Vec::<&str>::new());
}
