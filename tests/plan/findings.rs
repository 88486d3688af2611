//! Every finding has a case that raises it and one that does not; the loop at the end demands both.

use super::made_up::*;
use farrier::board::{Board, Catalog, Chip, ClockSetting, ClockSource, SerialNumber, demo_applications};
use farrier::finding::{Finding, Kind as K, Severity};
use farrier::image::{ByteAddress, Image, Memory};
use farrier::plan::*;
use farrier::units::{Hertz, Millivolts};

/// A board, what it holds, and what is wanted of it.
struct Scene {
    chip: Chip,
    board: Board,
    baseline: Observed,
    intent: Intent,
}

impl Scene {
    /// A bare board on which a loader is to be installed: nothing to remark.
    fn bare() -> Scene {
        let chip = chip(Kind::Usual);
        Scene { board: board(), baseline: factory(&chip), intent: install(), chip }
    }

    /// A board that `bare` was made of by installing, with an application.
    fn fitted() -> Scene {
        let bare = Scene::bare();
        let Ok((desired, _)) = desire(&bare.intent, &bare.baseline, &bare.chip, &bare.board) else { panic!("a bare board is refused") };
        let mut baseline = bare.baseline.clone();
        baseline.flash.bytes = desired.flash;
        baseline.flash.bytes.overlay(&application(700).image);
        baseline.configuration = Some(desired.configuration);
        baseline.lock = Some(desired.lock);
        Scene { baseline, intent: Intent::default(), ..bare }
    }

    fn wants(mut self, intent: Intent) -> Scene {
        self.intent = intent;
        self
    }

    fn with(mut self, change: impl FnOnce(&mut Scene)) -> Scene {
        change(&mut self);
        self
    }

    fn with_settings(self) -> Scene {
        self.with(|scene| scene.baseline.eeprom.bytes = Image::of(ByteAddress(0), &[0x42; EEPROM as usize]))
    }

    /// As the lock byte says: a chip that forbids reading shows nothing.
    fn locked(self, lock: u8) -> Scene {
        self.with(|scene| {
            scene.baseline.lock = Some(lock);
            if let Some(why) = unreadable(&scene.chip, lock) {
                let hidden = Contents { bytes: Image::default(), unreadable: Some(why) };
                (scene.baseline.flash, scene.baseline.eeprom) = (hidden.clone(), hidden);
            }
        })
    }

    /// All findings, whether the job is refused or not.
    fn findings(&self) -> Vec<Finding> {
        let (desired, mut findings) = match desire(&self.intent, &self.baseline, &self.chip, &self.board) {
            Ok(both) => both,
            Err(DesireError::Refused(findings)) => return findings,
            Err(error) => panic!("{error}"),
        };
        let planned = reconcile(&self.baseline, &desired, &target(&self.chip, &self.board));
        findings.extend(planned.map_or_else(|refused| refused, |(_, findings)| findings));
        findings
    }
}

fn remove() -> Intent {
    Intent { loader: LoaderIntent::Remove, ..Intent::default() }
}

fn eeprom(image: Image) -> Intent {
    Intent { eeprom: Some(named("settings.hex", image)), ..Intent::default() }
}

/// Back to what a board like this one held.
fn back(scene: &Scene, change: impl FnOnce(&mut Restore)) -> Intent {
    Intent { restore: Some(super::restore::changed(super::restore::of(&scene.baseline), change)), ..Intent::default() }
}

/// The vent board gets its loader, at this line speed.
fn vent_at(baud: u32) -> Scene {
    let (mut board, chip) = Catalog::built_in().board("vent").expect("a demo board");
    board.reservation.as_mut().expect("a reservation").line.baud = Some(baud);
    let loader = farrier::diagnosis::own_loader(&board, &chip).expect("a loader");
    let intent = Intent { loader: LoaderIntent::Install(loader), ..Intent::default() };
    Scene { baseline: factory(&chip), intent, chip, board }
}

fn install_with(application: NamedImage) -> Intent {
    Intent { application: ApplicationIntent::Write(application), ..install() }
}

fn configuration_image(bytes: &[u8]) -> Intent {
    Intent { configuration_image: Some(named("vent.elf", Image::of(ByteAddress(0), bytes))), ..Intent::default() }
}

/// What a case that raises the finding gives, and one as near to it as can be that does not.
fn cases(kind: K) -> (Vec<Finding>, Vec<Finding>) {
    let (bare, fitted) = (Scene::bare, Scene::fitted);
    let application_over_reservation = || bare().with(|scene| scene.baseline.flash.bytes.overlay(&application(0x610).image));
    let (raising, silent) = match kind {
        K::WrongChip => (bare().with(|scene| scene.baseline.id = Some([0x1E, 0x93, 0x07])), bare()),
        K::ImageOutsideFlash => (bare().wants(write(application(2049))), bare().wants(write(application(2048)))),
        K::ImageOverlapsLoader => (fitted().wants(write(application(0x601))), fitted().wants(write(application(0x600)))),
        K::LoaderOutsideReservation => {
            let low = || named("low-loader", program(RESERVED.0 - 2, 300, 1));
            (bare().wants(Intent { loader: LoaderIntent::Install(low()), ..Intent::default() }), bare())
        }
        // At 16 MHz 115200 baud is 2.1 % off and 57600 0.8 % (8272, "Examples of UBRRn Settings", from memory).
        K::BaudNotReachable => (vent_at(115_200), vent_at(57_600)),
        K::ApplicationOverlapsReservation => {
            (application_over_reservation(), application_over_reservation().wants(install_with(application(500))))
        }
        K::ConflictingImageData => (bare().wants(install_with(application(0x610))), bare().wants(install_with(application(0x5FF)))),
        K::LosesProgrammingAccess => (bare().wants(configure("reset-pin", "on")), bare().wants(configure("keep-eeprom", "off"))),
        K::ReservedBitsChanged => {
            (bare().wants(configuration_image(&[0x7A, 0xDF, 0x07])), bare().wants(configuration_image(&[0x7A, 0xDF, 0xFF])))
        }
        K::SupplyOutOfRange => {
            let supply = |mv| bare().with(|scene| scene.baseline.access = Some(Access { supply: Some(Millivolts(mv)), ..access() }));
            (supply(4_499), supply(4_500))
        }
        K::LevelsDiffer => {
            let pins = |mv| bare().with(|scene| scene.baseline.access = Some(Access { pin_level: Some(Millivolts(mv)), ..access() }));
            (pins(3_300), pins(5_000))
        }
        K::EepromLocked => {
            let upper = |byte: u8| eeprom(Image::of(ByteAddress(40), &[byte; 8]));
            (
                fitted().with_settings().with(lock_upper_eeprom).wants(upper(1)),
                fitted().with_settings().with(lock_upper_eeprom).wants(upper(0x42)),
            )
        }
        K::SettingsLost => {
            let part = fitted().with_settings().wants(eeprom(Image::of(ByteAddress(8), &[1; 8])));
            (part, fitted().with_settings().wants(eeprom(Image::of(ByteAddress(0), &[1; 32]))))
        }
        K::ApplicationChangedSince => return super::takeover::application_changed_since(),
        K::PartOfSameId => return super::same_id::part_of_same_id_cases(),
        K::TakesBackAJob => {
            // A job took the loader off; another plan puts it there again, or only sets a field that the job had left alone.
            let wanting = |intent: Intent| {
                let scene = fitted().wants(intent);
                desire(&scene.intent, &scene.baseline, &scene.chip, &scene.board).expect("a desired state").0
            };
            let left = wanting(remove());
            let also = |intent: Intent| {
                let baseline = Observed { flash: Contents { bytes: left.flash.clone(), unreadable: None }, ..fitted().baseline };
                let baseline = Observed { configuration: Some(left.configuration.clone()), lock: Some(left.lock), ..baseline };
                let scene = fitted().with(|scene| scene.baseline = baseline).wants(intent);
                let (desired, _) = desire(&scene.intent, &scene.baseline, &scene.chip, &scene.board).expect("a desired state");
                taken_back((4, "farrier loader remove"), &left, &desired, true, &scene.chip).into_iter().collect()
            };
            return (also(install()), also(configure("brown-out", "2.7-v")));
        }
        K::SerialNumberLost => {
            let numbered = |bytes: usize| fitted().with(serial_number_in_flash).wants(write(application(bytes)));
            (numbered(0x501), numbered(0x500))
        }
        K::SettingsChangedSince => return super::takeover::settings_changed_since(),
        K::AnotherBoardsSnapshot => {
            let of = |calibration| fitted().wants(back(&fitted(), |back| back.held.calibration = Some(calibration)));
            (of(0x9B), of(0x9A))
        }
        K::SnapshotIncomplete => {
            let short = |bytes| fitted().wants(back(&fitted(), |back| back.held.eeprom.bytes.remove(span(0, bytes))));
            (short(1), short(0))
        }
        K::StaysWithTheBoard => {
            let tag =
                |tag: &'static str| fitted().with_settings().wants(back(&fitted().with_settings(), |back| back.tag = Some(tag.into())));
            (tag("bed 5"), tag("bed 4"))
        }
        K::KeptContentsUnreadable => (fitted().locked(0xFC).wants(install()), fitted().locked(0xFE).wants(install_with(application(90)))),
        K::NoSnapshotPossible => {
            let all =
                Intent { eeprom: Some(named("all", Image::of(ByteAddress(0), &[1; EEPROM as usize]))), ..install_with(application(90)) };
            (fitted().locked(0xFC).wants(all.clone()), fitted().locked(0xFE).wants(all))
        }
        K::LoaderRemoved => (fitted().wants(remove()), bare().wants(remove())),
        K::ClockSourceChanged => {
            let internal = || configure("clock", "internal-128-khz");
            (fitted().wants(internal()), bare().wants(configure("clock", "crystal-8-to-16-mhz")))
        }
        K::ClockMissing => (bare().wants(configure("clock", "external")), bare().wants(configure("clock", "crystal-8-to-16-mhz"))),
        K::CrystalUnderdriven => (swung(8_000_001), swung(8_000_000)),
        K::WatchdogMustBeFed => (fed(false), fed(true)),
        K::OldPartMode => (like_an_older_part("on"), like_an_older_part("off")),
        K::EffectNotKnown => (started_after("start-up-1"), started_after("start-up-0")),
        K::SupplyBelowBrownOut => (supplied(Some(4_299)), supplied(Some(4_300))),
        K::ResetIntoEmptyFlash => (bare().wants(configure("reset-start", "loader")), fitted().wants(remove())),
        K::ReadoutLocked => {
            let lock = |value: &str| Intent { lock: vec![("programming-lock".into(), value.into())], ..Intent::default() };
            (fitted().wants(lock("no-access")), fitted().wants(lock("no-writing")))
        }
        K::ImageOfAnotherChip => {
            let demo = demo_applications().iter().find(|demo| demo.board == "frost").expect("the demo application");
            let of = |part: &str| fitted().with(|scene| scene.chip.part = part.into()).wants(write(named("frost.hex", demo.image.clone())));
            (of("ATmega1284P"), of("ATmega328P"))
        }
        K::ImageMayNotStart => {
            let text = named("notes.hex", Image::of(ByteAddress(0), b"vent notes"));
            (fitted().wants(write(text)), fitted().wants(write(application(10))))
        }
        // 1536 bytes of room: 153 left is less than a tenth, 154 is not.
        K::LittleRoomLeft => (fitted().wants(write(application(1536 - 153))), fitted().wants(write(application(1536 - 154)))),
        K::ImageUnchanged => (fitted().wants(install()), bare().wants(install())),
        K::BlankTail => {
            let tail = |blank: usize| {
                let mut image = application(100).image;
                image.overwrite(ByteAddress(100), &vec![0xFF; blank]);
                fitted().wants(write(named("padded.hex", image)))
            };
            (tail(64), tail(63))
        }
        K::UnusedBitsRead => (bare().with(|scene| scene.baseline.lock = Some(0x3F)), bare()),
    };
    (raising.findings(), silent.findings())
}

/// An ATmega8 is set to the board's crystal of so many hertz, and keeps the small swing that it is shipped with.
fn swung(hz: u32) -> Scene {
    let (mut board, chip) = Catalog::built_in().board("generic-atmega8").expect("a generic board");
    board.generic = false;
    board.clock = ClockSetting { source: ClockSource::Crystal { from_hz: Hertz(hz), to_hz: Hertz(hz) }, hz: Hertz(hz) };
    Scene { baseline: factory(&chip), intent: configure("clock", "crystal-fast"), chip, board }
}

#[test]
fn a_crystal_that_gets_its_swing_with_it_and_a_resistor_that_needs_none_are_not_asked_about() {
    let both = |clock: &str, swing: &str| {
        let fields = [("clock", clock), ("crystal-swing", swing)];
        let configuration = fields.map(|(field, value)| (field.into(), value.into())).into();
        swung(12_000_000).wants(Intent { configuration, ..Intent::default() })
    };
    assert!(has(&both("crystal-fast", "small"), K::CrystalUnderdriven));
    assert!(!has(&both("crystal-fast", "full"), K::CrystalUnderdriven));
    assert!(!has(&both("rc-8-to-12-mhz", "small"), K::CrystalUnderdriven));
}

/// The watchdog is to be always on, and the board file says so or not.
fn fed(expected: bool) -> Scene {
    let value = if expected { "always-on" } else { "by-firmware" };
    let file_says = |scene: &mut Scene| scene.board.expected_configuration.push(("watchdog".into(), value.into()));
    Scene::fitted().with(file_says).wants(configure("watchdog", "always-on"))
}

/// An application goes to an ATmega128 of which this is set; it is shipped with it on.
fn like_an_older_part(mode: &str) -> Scene {
    let (board, chip) = Catalog::built_in().board("generic-atmega128").expect("a generic board");
    let mut baseline = factory(&chip);
    let field = chip.field("old-part-mode").expect("a field");
    let bits = field.value(mode).expect("a value").bits;
    field.set(baseline.configuration.as_mut().expect("a configuration"), bits);
    Scene { baseline, intent: write(application(90)), chip, board }
}

#[test]
fn an_older_part_that_the_board_file_means_is_not_remarked_upon() {
    let means = |scene: &mut Scene| scene.board.expected_configuration.push(("old-part-mode".into(), "on".into()));
    assert!(!has(&like_an_older_part("on").with(means), K::OldPartMode));
    // Nor where no code is written, or the mode ends with the job.
    assert!(!has(&like_an_older_part("on").wants(configure("jtag", "off")), K::OldPartMode));
    let ends = Intent { configuration: vec![("old-part-mode".into(), "off".into())], ..write(application(90)) };
    assert!(!has(&like_an_older_part("on").wants(ends), K::OldPartMode));
}

/// A board gets this start-up time; of one of them the chip file does not say how long it is.
fn started_after(wait: &str) -> Scene {
    let unknown = |scene: &mut Scene| {
        let field = scene.chip.fields.iter_mut().find(|field| field.name == "start-up").expect("a field");
        field.values.iter_mut().find(|value| value.name == "start-up-1").expect("a value").unknown = true;
    };
    Scene::fitted().with(unknown).wants(configure("start-up", wait))
}

#[test]
fn what_is_not_known_is_asked_about_where_it_comes_to_be_and_the_board_file_does_not_mean_it() {
    let means = |scene: &mut Scene| scene.board.expected_configuration = vec![("start-up".into(), "start-up-1".into())];
    assert!(!has(&started_after("start-up-1").with(means), K::EffectNotKnown));
    // Nor where it is so already, and something else is changed.
    let there = |scene: &mut Scene| {
        let held = scene.baseline.configuration.as_mut().expect("a configuration");
        scene.chip.field("start-up").expect("a field").set(held, 1);
    };
    assert!(!has(&started_after("start-up-1").with(there), K::EffectNotKnown));
    assert!(!has(&started_after("start-up-1").with(there).wants(configure("brown-out", "2.7-v")), K::EffectNotKnown));
    let sentence = |scene: Scene| scene.findings().into_iter().find(|of| of.kind == K::EffectNotKnown).expect("it is raised").sentence;
    assert!(sentence(started_after("start-up-1")).contains("start-up (START-UP) as 'start-up-1'"));
}

/// A board for any supply gets a brown-out level of 4.3 V while its supply measures so much.
fn supplied(mv: Option<u16>) -> Scene {
    let change = |scene: &mut Scene| {
        scene.board.supply.0 = Millivolts(2_700);
        scene.baseline.access = Some(Access { supply: mv.map(Millivolts), ..access() });
    };
    Scene::fitted().with(change).wants(configure("brown-out", "4.3-v"))
}

fn has(scene: &Scene, kind: K) -> bool {
    scene.findings().iter().any(|finding| finding.kind == kind)
}

#[test]
fn a_watchdog_that_is_always_on_already_is_asked_about_no_more() {
    let on = |scene: &mut Scene| {
        let held = scene.baseline.configuration.as_mut().expect("a configuration");
        scene.chip.field("watchdog").expect("a field").set(held, 0);
    };
    assert!(!has(&fed(false).with(on), K::WatchdogMustBeFed));
    // Nor does it come back through another job.
    assert!(!has(&Scene::fitted().with(on).wants(write(application(90))), K::WatchdogMustBeFed));
    let generic = |scene: &mut Scene| scene.board.generic = true;
    assert!(has(&fed(false).with(generic), K::WatchdogMustBeFed));
}

#[test]
fn a_board_file_that_wants_the_watchdog_always_on_installs_its_loader_unasked() {
    let scene = fed(true).wants(install());
    let (desired, findings) = desire(&scene.intent, &scene.baseline, &scene.chip, &scene.board).expect("a desired state");
    assert!(scene.chip.watchdog_always_on(&desired.configuration).is_some());
    assert!(findings.iter().all(|finding| finding.severity() == Severity::Note), "{findings:?}");
}

#[test]
fn a_brown_out_level_is_held_against_the_supply_that_is_measured_or_else_that_of_the_board_file() {
    let at_most = |mv: u16| supplied(None).with(|scene| (scene.board.supply.1, scene.board.level_follows_supply) = (Millivolts(mv), true));
    // The signals of a board are at its supply, unless something shifts them.
    let signals =
        |shifted: bool| supplied(None).with(|scene| (scene.board.levels, scene.board.levels_shifted) = (Millivolts(3_300), shifted));
    assert!(has(&signals(false), K::SupplyBelowBrownOut));
    assert!(!has(&signals(true), K::SupplyBelowBrownOut));
    assert!(has(&at_most(3_600), K::SupplyBelowBrownOut));
    assert!(!has(&at_most(4_300), K::SupplyBelowBrownOut));
    // A level that is there already, and a lower one, are no change for the worse.
    let there = |scene: &mut Scene| {
        let held = scene.baseline.configuration.as_mut().expect("a configuration");
        scene.chip.field("brown-out").expect("a field").set(held, 4);
    };
    assert!(!has(&at_most(3_600).with(there), K::SupplyBelowBrownOut));
    assert!(!has(&at_most(3_600).wants(configure("brown-out", "2.7-v")), K::SupplyBelowBrownOut));
    // Two measurements of one supply put the same at stake.
    let stake = |mv| supplied(Some(mv)).findings().into_iter().find(|finding| finding.kind == K::SupplyBelowBrownOut).expect("it").stake;
    assert_eq!(stake(3_300), stake(3_310));
}

/// EEPROM from 24 on cannot be written.
fn lock_upper_eeprom(scene: &mut Scene) {
    scene.chip.field("upper-eeprom").expect("a field").set(scene.baseline.configuration.as_mut().expect("a configuration"), 0);
}

#[test]
fn locked_eeprom_that_the_job_opens_or_leaves_alone_is_nothing_to_refuse() {
    let upper = || eeprom(Image::of(ByteAddress(40), &[1; 8]));
    let refused = |scene: &Scene| scene.findings().into_iter().find(|finding| finding.kind == K::EepromLocked);
    let locked = || Scene::fitted().with_settings().with(lock_upper_eeprom);
    let sentence = refused(&locked().wants(upper())).expect("it").sentence;
    for said in ["8 bytes", "0x00018 to 0x0003F", "UPPER-EEPROM", "farrier configure upper-eeprom=free"] {
        assert!(sentence.contains(said), "{said}: {sentence}");
    }
    let opens = Intent { configuration: vec![("upper-eeprom".into(), "free".into())], ..upper() };
    assert_eq!(refused(&locked().wants(opens)), None);
    assert_eq!(refused(&Scene::fitted().with_settings().wants(upper())), None);
    assert_eq!(refused(&locked().wants(eeprom(Image::of(ByteAddress(16), &[1; 8])))), None);
    assert_eq!(refused(&locked().wants(write(application(90)))), None);
}

/// A serial number near the end of the application's flash.
fn serial_number_in_flash(scene: &mut Scene) {
    let span = span(0x500, 0x510);
    scene.board.serial_number = Some(SerialNumber { memory: Memory::Flash, span });
    scene.baseline.flash.bytes.overwrite(span.start(), b"pump 1187 bed 4 ");
}

#[test]
fn a_serial_number_in_the_flash_stays_where_an_application_leaves_it_out() {
    let scene = Scene::fitted().with(serial_number_in_flash).wants(write(application(0x508)));
    let (desired, findings) = desire(&scene.intent, &scene.baseline, &scene.chip, &scene.board).expect("a desired state");
    assert_eq!(desired.flash.filled(span(0x508, 0x510), 0), b"7 bed 4 ");
    assert!(findings.iter().any(|finding| finding.kind == K::SerialNumberLost), "{findings:?}");
    let scene = scene.wants(write(application(0x500)));
    let (desired, findings) = desire(&scene.intent, &scene.baseline, &scene.chip, &scene.board).expect("a desired state");
    assert_eq!(desired.flash.filled(span(0x500, 0x510), 0), b"pump 1187 bed 4 ");
    assert_eq!(desired.flash.filled(span(0x510, 0x600), 0), [0xFF; 0xF0], "what is no serial number is blank");
    assert!(findings.iter().all(|finding| finding.kind != K::SerialNumberLost), "{findings:?}");
}

#[test]
fn every_finding_is_raised_by_one_case_and_not_by_its_neighbour() {
    for kind in K::ALL.iter().copied() {
        let (raising, silent) = cases(kind);
        let among = |findings: &[Finding]| findings.iter().any(|finding| finding.kind == kind);
        assert!(among(&raising), "{} is not raised, but these are: {raising:#?}", kind.name());
        assert!(!among(&silent), "{} is raised where nothing calls for it: {silent:#?}", kind.name());
    }
}

#[test]
fn a_bare_board_that_gets_its_loader_has_nothing_to_consent_to() {
    let found = Scene::bare().findings();
    assert!(found.iter().all(|finding| finding.severity() == Severity::Note), "{found:#?}");
}
