//! The catalog of bricked boards: what each kind makes of a board, as the silicon holds it and as raw bytes show it at the header.

use super::bench::Bench;
use farrier::board::{Board, Catalog, Chip, Role, loader};
use farrier::bus::{Bus, BusError, LineLevels, Operation, Reply, Why};
use farrier::image::{self, Image};
use farrier::sim::{BRICKED, Bricked, Contents, MendedBy, SURPRISE, Sim, Store, StoreError, Used};
use farrier::units::{Hertz, Millivolts};
use std::collections::BTreeSet;

const SEED: u64 = 5;
const BOARDS: [&str; 6] = ["vent", "pump", "frost", "generic-atmega1284p", "generic-atmega2560", "generic-atmega328p"];

fn board(name: &str) -> (Board, Chip) {
    Catalog::built_in().board(name).expect("a board of the catalog")
}

fn named(kind: &str) -> &'static Bricked {
    Bricked::named(kind).expect("a kind of the catalog")
}

/// A board of the catalog, bricked, at a hand that sends raw bytes.
fn bricked(board_name: &str, kind: &str) -> Bench {
    let (board, chip) = board(board_name);
    let sim = Sim::bricked(&board, &chip, SEED, &[named(kind)]).expect("it can be bricked so");
    Bench { bus: sim.direct_bus(), sim }
}

/// What such a board held before.
fn used(board_name: &str) -> Used {
    let (board, chip) = board(board_name);
    Used::of(&board, &chip, SEED)
}

/// The pages of the flash that differ from what the used board held.
fn changed_pages(board_name: &str, now: &Contents) -> Vec<u32> {
    let page = board(board_name).1.flash.page as usize;
    let before = used(board_name).contents.flash;
    (0..).zip(before.chunks(page).zip(now.flash.chunks(page))).filter(|(_, (before, now))| before != now).map(|(page, _)| page).collect()
}

fn pages_of(image: &Image, page: u32) -> Vec<u32> {
    image.spans().flat_map(|span| span.to_pages(page).pages(page)).map(|span| span.start().0 / page).collect()
}

#[test]
fn there_are_at_least_sixteen_kinds_for_each_demo_board() {
    let names: BTreeSet<&str> = BRICKED.iter().map(|kind| kind.name).collect();
    assert_eq!(names.len(), BRICKED.len(), "no name stands twice");
    assert!(!names.contains(SURPRISE));
    for name in &names {
        assert!(name.bytes().all(|byte| byte.is_ascii_lowercase() || byte == b'-'), "{name}");
    }
    for name in ["vent", "pump", "frost"] {
        let (board, chip) = board(name);
        let kinds = Bricked::of(&board, &chip).count();
        assert!(kinds >= 16, "{name}: {kinds}");
    }
    let somewhere =
        |kind: &&Bricked| BOARDS.iter().any(|name| Bricked::of(&board(name).0, &board(name).1).any(|known| known.name == kind.name));
    assert!(BRICKED.iter().all(|kind| somewhere(&kind)));
}

#[test]
fn a_kind_that_a_board_cannot_have_is_refused_with_the_reason() {
    for (name, kind, why) in [
        ("vent", "reset-disabled", "ATmega1284P has no RSTDISBL"),
        ("vent", "debug-wire", "ATmega1284P has no DWEN"),
        ("vent", "brown-out-above-supply", "is 4.3 V, and the board runs at 5.0 V"),
        ("generic-atmega328p", "erased-loader", "reserves no flash"),
        ("generic-atmega328p", "reversed-cable", "no two rows"),
    ] {
        let (board, chip) = board(name);
        let told = Sim::bricked(&board, &chip, SEED, &[named(kind)]).map(drop).map_err(|error| error.to_string());
        assert!(told.as_ref().is_err_and(|told| told.contains(why)), "{name}, {kind}: {told:?}");
    }
}

/// What `mended_by` says is held against the silicon: whether the header answers, by some clock, and whether all that differs from the used
/// board is in cells and bits that the header writes.
#[test]
fn what_a_header_can_mend_answers_at_the_header() {
    for name in BOARDS {
        let (board, chip) = board(name);
        for kind in Bricked::of(&board, &chip) {
            let mut bench = bricked(name, kind.name);
            let faults = bench.sim.faults();
            let powered = bench.run(Operation::MeasureSupply) != Reply::Supply(Some(Millivolts(0)));
            let mut answers = powered && (bench.enter(20_000) || bench.enter(2_000));
            if powered && !answers {
                bench.run(Operation::ClockOutput(Some(Hertz(1_000_000))));
                answers = bench.enter(20_000);
            }
            let shut = [MendedBy::HighVoltage, MendedBy::Hand].contains(&kind.mended_by);
            // A supply that is weak does not keep a chip from answering, unless it is below what chips work at.
            let weak = kind.name == "weak-supply" && board.supply.0 > Millivolts(2_100);
            assert_eq!(answers, !shut || weak, "{name}, {}", kind.name);
            assert!(kind.mended_by != MendedBy::ProgrammingHeader || faults.is_empty(), "{name}, {}: {faults:?}", kind.name);
        }
    }
}

#[test]
fn a_used_board_holds_what_is_built_in_and_settings_of_its_own() {
    for name in ["vent", "pump", "frost"] {
        let (board, chip) = board(name);
        let used = used(name);
        let span = board.reservation.as_ref().expect("a reservation").span;
        let built = loader("serial", &board, &chip).expect("built in").image.filled(span, 0xFF);
        assert_eq!(used.contents.flash[span.start().0 as usize..], built);
        assert!(chip.starts_loader(&used.contents.fuses));
        assert_eq!(chip.system_clock(&board, &used.contents.fuses), Some(board.clock.hz));
        let store = board.settings.as_ref().expect("a store").span.to_pages(1);
        let other = Used::of(&board, &chip, SEED + 1);
        assert_ne!(used.contents.eeprom, other.contents.eeprom);
        assert_eq!(used.contents.flash, other.contents.flash);
        assert!(used.contents.eeprom[store.end().0 as usize..].iter().all(|byte| *byte == 0xFF));
    }
    let generic = used("generic-atmega328p");
    let core = Catalog::built_in().chip("ATmega328P").unwrap().core();
    assert!(generic.loader.is_none() && image::start_at(&generic.application, farrier::image::ByteAddress(0), core).starts());
}

#[test]
fn a_half_written_image_is_there_up_to_a_torn_page() {
    for name in ["vent", "frost", "generic-atmega2560"] {
        let page = board(name).1.flash.page;
        let pages = pages_of(&used(name).application, page);
        let now = bricked(name, "half-written-application").sim.contents();
        let changed = changed_pages(name, &now);
        assert_eq!(changed, pages[pages.len() / 2..], "{name}: the second half");
        let cells = |number: u32| &now.flash[(number * page) as usize..((number + 1) * page) as usize];
        assert!(cells(changed[0]).iter().any(|byte| *byte != 0xFF), "{name}: torn");
        assert!(changed[1..].iter().all(|number| cells(*number).iter().all(|byte| *byte == 0xFF)), "{name}");
    }
}

#[test]
fn loaders_are_erased_torn_or_written_over_and_nothing_else() {
    let (board, chip) = board("vent");
    let (span, page) = (board.reservation.as_ref().expect("a reservation").span, chip.flash.page);
    let first = span.start().0 / page;
    let held = |kind| bricked("vent", kind).sim.contents();
    assert!(held("erased-loader").flash[span.start().0 as usize..].iter().all(|byte| *byte == 0xFF));
    for kind in ["erased-loader", "half-written-loader"] {
        assert!(changed_pages("vent", &held(kind)).iter().all(|number| *number >= first), "{kind}");
        assert_eq!(held(kind).fuses, used("vent").contents.fuses);
    }
    let over = held("overwritten-loader").flash;
    assert!(
        over[..span.start().0 as usize + 1024].iter().all(|byte| *byte != 0xFF)
            && over[span.start().0 as usize + 1024..].iter().all(|byte| *byte == 0xFF)
    );
}

#[test]
fn an_application_moved_up_is_the_same_bytes_whole_pages_further() {
    let (used, now) = (used("frost"), bricked("frost", "wrong-offset").sim.contents());
    let bytes = used.application.filled(used.application.extent().expect("bytes"), 0xFF);
    let at = now.flash.windows(bytes.len()).position(|window| window == bytes).expect("it is there");
    assert!(at > 0 && at % 128 == 0, "{at}");
    assert!(now.flash[..at].iter().all(|byte| *byte == 0xFF));
}

#[test]
fn an_application_of_another_chip_is_one_that_is_built_in() {
    let now = bricked("vent", "other-application").sim.contents();
    let others = ["frost", "pump"].map(used).map(|used| used.application);
    let holds = |image: &Image| image.runs().all(|(at, bytes)| now.flash[at.0 as usize..].starts_with(bytes));
    assert!(others.iter().any(holds) && !holds(&used("vent").application));
}

#[test]
fn memories_and_bits_change_where_the_kind_says_and_nowhere_else() {
    let before = used("frost").contents;
    let now = |kind| bricked("frost", kind).sim.contents();
    assert_eq!(Contents { eeprom: vec![0xFF; 1024], ..before.clone() }, now("wiped-settings"));
    assert_eq!(now("erased-chip").flash, vec![0xFF; 32 << 10]);
    // By the fuse table of this part (8271, 'Fuse Bits'): high byte BOOTRST 0, WDTON 4, SPIEN 5, DWEN 6, RSTDISBL 7.
    for (kind, index, mask) in [
        ("bypassed-loader", 1, 0x01),
        ("endless-watchdog", 1, 0x10),
        ("serial-programming-off", 1, 0x20),
        ("debug-wire", 1, 0x40),
        ("reset-disabled", 1, 0x80),
    ] {
        let mut wanted = before.clone();
        wanted.fuses[index] ^= mask;
        assert_eq!(now(kind), wanted, "{kind}");
    }
    assert_eq!(now("locked-chip").lock & 0x03, 0);
    let (_, chip) = board("frost");
    let section = chip.boot_section(&now("small-boot-section").fuses).expect("a boot section");
    assert_eq!(section.len(), 512, "the reservation has 1024");
}

#[test]
fn clocks_go_missing_or_slow() {
    let mut missing = bricked("vent", "missing-clock");
    assert!(!missing.enter(1_000));
    missing.run(Operation::ClockOutput(Some(Hertz(1_000_000))));
    assert!(missing.enter(100_000));
    // 128 kHz by 8 is 16 kHz, a quarter of which is 4 kHz.
    for name in BOARDS {
        let mut slow = bricked(name, "slow-clock");
        assert!(!slow.enter(8_000) && slow.enter(3_000), "{name}");
        slow.assert_clean();
    }
}

#[test]
fn a_brown_out_level_above_the_supply_is_read_or_silences() {
    let mut bench = bricked("frost", "brown-out-above-supply");
    assert!(bench.enter(100_000));
    assert_eq!(bench.ask([0x50, 0x08, 0, 0]) & 0x07, 0b100, "4.3 V (8271, 'BODLEVEL Fuse Coding')");
    let mut deaf = bricked("frost", "brown-out-deaf");
    assert!(!deaf.enter(1_000));
    assert_eq!(deaf.sim.contents(), bench.sim.contents());
    // With a supply above the level it answers.
    deaf.sim.damage("wrong-supply=4400".parse().expect("a fault"));
    assert!(deaf.enter(100_000));
}

#[test]
fn a_weak_supply_reads_and_does_not_write() {
    let mut bench = bricked("vent", "weak-supply");
    assert_eq!(bench.run(Operation::MeasureSupply), Reply::Supply(Some(Millivolts(3_934))));
    assert!(bench.enter(200_000));
    assert_eq!(bench.id(), [0x1E, 0x97, 0x05]);
    let before = bench.sim.contents();
    let word = u16::from_le_bytes([before.flash[0], before.flash[1]]);
    assert_eq!(bench.read_word(0), word);
    for at in 0..16 {
        bench.write([0xC0, 0x02, at, 0x00]);
    }
    let row = &bench.sim.contents().eeprom[0x200..0x210];
    assert!(row.iter().any(|byte| *byte != 0), "not one is done in full: {row:02X?}");
    assert_eq!(bench.sim.contents().flash, before.flash);
    bench.assert_clean();
}

/// A plug turned round on 2x3: pin 1 meets 6, 2 meets 5, 3 meets 4. The bridge's VCC meets RESET, its RESET the board's VCC, its SCK MOSI,
/// its MISO GND. On 2x5 its RESET meets GND and its MISO the board's VCC.
#[test]
fn a_plug_turned_round_shows_no_supply_and_drives_nothing() {
    let levels = |reset, miso| Reply::Lines(LineLevels { reset, sck: false, mosi: false, miso });
    for (name, lines) in [("vent", levels(true, false)), ("frost", levels(true, false)), ("pump", levels(false, true))] {
        let mut bench = bricked(name, "reversed-cable");
        let before = bench.sim.contents();
        assert_eq!(bench.run(Operation::MeasureSupply), Reply::Supply(Some(Millivolts(0))));
        for drive in [farrier::bus::Drive::High, farrier::bus::Drive::Low] {
            bench.reset(drive);
            assert_eq!(bench.run(Operation::ReadLines), lines, "{name}");
            assert!(!bench.sim.in_reset(), "the bridge's RESET does not reach the chip");
        }
        let failed = bench.bus.run(&[Operation::Transfer(vec![0xAC, 0x53, 0, 0])]);
        assert!(matches!(failed, Err(BusError::Failed { why: Why::NoPower, .. })), "{failed:?}");
        bench.sim.repair();
        assert!(bench.enter(20_000));
        assert_eq!(bench.sim.contents(), before);
        bench.assert_clean();
    }
}

#[test]
fn weak_cells_lie_in_a_page_of_the_application() {
    let bench = bricked("vent", "weak-cells");
    let pages = pages_of(&used("vent").application, 256);
    let weak = pages.iter().filter(|page| bench.sim.faults().contains(&farrier::sim::Fault::WeakCells(**page))).count();
    assert_eq!((weak, bench.sim.faults().len()), (1, 1));
    assert_eq!(bench.sim.contents(), used("vent").contents);
}

#[test]
fn several_kinds_lie_on_one_board() {
    let (board, chip) = board("vent");
    let kinds = [named("erased-loader"), named("wiped-settings"), named("open-miso")];
    let sim = Sim::bricked(&board, &chip, SEED, &kinds).expect("all three");
    let (now, before) = (sim.contents(), used("vent").contents);
    assert!(now.flash != before.flash && now.eeprom != before.eeprom && sim.faults().len() == 1);
}

#[test]
fn a_surprise_is_drawn_by_the_seed_and_not_told() {
    let root = tempfile::tempdir().expect("a folder");
    let store = Store::open(root.path(), Catalog::built_in());
    let out = tempfile::tempdir().expect("a folder");
    let (board, chip) = board("vent");
    let mut drawn = BTreeSet::new();
    for seed in 0..40 {
        let name = format!("s{seed}");
        store.create_bricked(&name, "vent", seed, SURPRISE).expect("made");
        let kind = Bricked::drawn(&board, &chip, seed).expect("a kind");
        let alike = Sim::bricked(&board, &chip, seed, &[kind]).expect("made");
        let open = store.open_sim(&name).expect("opened");
        assert_eq!((open.sim().contents(), open.sim().faults()), (alike.contents(), alike.faults()));
        let held = out.path().join(&name);
        open.export(&held).expect("exported");
        let told = std::fs::read_to_string(held.join("state.json")).expect("readable");
        assert!(!told.contains(kind.name) && told.contains("\"faults\": null"), "{told}");
        drawn.insert(kind.name);
    }
    assert!(drawn.len() >= 10, "{drawn:?}");
    for one in store.list().expect("listed") {
        assert_eq!((one.bricked.as_deref(), one.faults), (Some(SURPRISE), None));
    }
}

#[test]
fn a_bricked_sim_is_kept_and_listed_until_it_is_reset() {
    let root = tempfile::tempdir().expect("a folder");
    let store = Store::open(root.path(), Catalog::built_in());
    store.create_bricked("one", "frost", 3, "open-miso").expect("made");
    assert!(matches!(store.create_bricked("two", "vent", 3, "debug-wire"), Err(StoreError::Brick(_))));
    assert!(matches!(store.create_bricked("two", "vent", 3, "no-such"), Err(StoreError::Brick(_))));
    assert!(!store.exists("two"));
    store.open_sim("one").expect("opened").sim().repair();
    let listed = |store: &Store| store.list().expect("listed").remove(0);
    assert_eq!((listed(&store).bricked.as_deref(), listed(&store).faults), (Some("open-miso"), Some(Vec::new())));
    store.open_sim("one").expect("opened").reset();
    assert_eq!(listed(&store).bricked, None);
    let (_, chip) = board("frost");
    let contents = store.open_sim("one").expect("opened").sim().contents();
    assert_eq!(contents, Contents::factory(&chip, contents.calibration));
    assert!(chip.field_for(Role::Clock).is_some());
}
