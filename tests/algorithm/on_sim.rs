//! Round trips over the sim's bus, for every chip of the catalog. The sim counts what a datasheet forbids; nothing here may.

use farrier::algorithm::avr_spi::{AvrSpi, Evidence, Rung, rungs};
use farrier::algorithm::{AlgorithmError, Ending};
use farrier::board::{Board, Catalog, Chip, ClockSetting, ClockSource, EraseUnit, Role, Way};
use farrier::bus::Bus;
use farrier::image::{ByteAddress, Image, Memory, Span};
use farrier::link::Client;
use farrier::sim::{DirectBus, Fault, HeldLine, Sim};
use farrier::units::{Hertz, Millivolts};
use std::ops::ControlFlow;
use std::time::Duration;

const BOARDS: [&str; 3] = ["vent", "pump", "frost"];
const SEED: u64 = 2;

fn on(_: u32) -> ControlFlow<()> {
    ControlFlow::Continue(())
}

struct Bench {
    board: Board,
    chip: Chip,
    sim: Sim,
    bus: DirectBus,
}

impl Bench {
    /// A bare board as shipped.
    fn factory(name: &str) -> Bench {
        let (board, chip) = Catalog::built_in().board(name).unwrap();
        let sim = Sim::new(&board, &chip, SEED);
        let bus = sim.direct_bus();
        Bench { board, chip, sim, bus }
    }

    /// A board whose configuration is the one that its file expects.
    fn configured(name: &str) -> Bench {
        let bench = Bench::factory(name);
        let expected = bench.board.expected_configuration(&bench.chip, &bench.chip.factory_configuration());
        bench.sim.edit(|contents| contents.fuses = expected);
        bench
    }

    /// With this value in the field of this role.
    fn setting(self, role: Role, value: &str) -> Bench {
        let field = self.chip.field_for(role).unwrap();
        let bits = field.value(value).unwrap().bits;
        self.sim.edit(|contents| field.set(&mut contents.fuses, bits));
        self
    }

    fn rungs(&self) -> Vec<Rung> {
        rungs(&self.chip, self.bus.abilities(), Some(self.board.clock), None)
    }

    fn entered(&mut self) -> AvrSpi<'_> {
        let rungs = self.rungs();
        let mut avr = AvrSpi::new(&mut self.bus, &self.chip);
        avr.enter(&rungs).unwrap();
        avr
    }

    fn now(&self) -> Duration {
        self.sim.clock().now().0
    }

    fn assert_clean(&self) {
        assert_eq!(self.sim.violations().list, [], "{} of them", self.sim.violations().count);
    }
}

/// A bridge has clocks in steps: the one made is not above the one asked for, and not far below.
fn assert_made(made: Hertz, asked: u32, case: &str) {
    assert!(made.0 <= asked && made.0 > asked / 100 * 98, "{case}: {made} for {}", Hertz(asked));
}

fn random(len: u32, seed: u64) -> Vec<u8> {
    let mut rng = fastrand::Rng::with_seed(seed);
    (0..len).map(|_| rng.u8(..)).collect()
}

fn pages(bytes: u32, page: u32) -> Vec<ByteAddress> {
    (0..bytes / page).map(|n| ByteAddress(n * page)).collect()
}

fn crc32(bytes: &[u8]) -> u32 {
    crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(bytes)
}

#[test]
fn a_whole_flash_goes_in_and_comes_back() {
    for name in BOARDS {
        let mut bench = Bench::configured(name);
        let shape = bench.chip.flash;
        let bytes = random(shape.bytes, SEED);
        bench.sim.edit(|contents| contents.flash.fill(0x00));
        let image = Image::of(ByteAddress(0), &bytes);
        let mut avr = bench.entered();
        avr.erase().unwrap();
        assert_eq!(avr.write_flash(&image, &pages(shape.bytes, shape.page), &mut on).unwrap(), Ending::Complete(()));
        let sums = avr.checksums(Memory::Flash, Span::first(shape.bytes), &mut on).unwrap().so_far();
        let read = avr.read(Memory::Flash, Span::first(shape.bytes), &mut on).unwrap().so_far();
        avr.release().unwrap();
        drop(avr);

        assert!(bench.sim.contents().flash == bytes, "{name}: what the silicon holds");
        assert!(read == image, "{name}: what was read");
        let expected: Vec<u32> = bytes.chunks(shape.page as usize).map(crc32).collect();
        assert!(sums.iter().map(|sum| sum.crc32).eq(expected), "{name}: checksums");
        assert!(sums.iter().map(|sum| sum.page).eq(Span::first(shape.bytes).pages(shape.page)), "{name}: whose checksums");
        bench.assert_clean();
    }
}

#[test]
fn the_halves_of_a_large_flash_are_not_mixed_up() {
    let mut bench = Bench::configured("pump");
    let page = bench.chip.flash.page;
    // Pages at the same place in both halves, written upper, lower, upper; read and summed across the border in one go.
    let order = [0x20000, 0x00000, 0x3FF00, 0x1FF00].map(ByteAddress);
    let mut image = Image::default();
    for (n, at) in order.into_iter().enumerate() {
        image.overwrite(at, &random(page, n as u64));
    }
    let mut avr = bench.entered();
    let _ = avr.write_flash(&image, &order, &mut on).unwrap();
    let border = Span::new(ByteAddress(0x1FF00), ByteAddress(0x20100)).unwrap();
    assert!(avr.read(Memory::Flash, border, &mut on).unwrap().so_far() == image.crop(border));
    let sums = avr.checksums(Memory::Flash, border, &mut on).unwrap().so_far();
    let expected: Vec<u32> = border.pages(page).map(|page| image.crop(page).crc32()).collect();
    assert!(sums.iter().map(|sum| sum.crc32).eq(expected));
    drop(avr);
    let flash = bench.sim.contents().flash;
    for at in order {
        let page = Span::sized(at, page).unwrap();
        assert!(flash[at.0 as usize..][..page.len() as usize] == image.filled(page, 0), "{page}");
    }
    bench.assert_clean();
}

#[test]
fn eeprom_is_rewritten_where_it_differs_and_left_where_not() {
    for name in BOARDS {
        let mut bench = Bench::configured(name);
        let shape = bench.chip.eeprom;
        let before = random(shape.bytes, 3);
        bench.sim.edit(|contents| contents.eeprom = before.clone());
        // A page of new bytes, a single new byte, two bytes apart in one page, and every other page as it was.
        let mut after = before.clone();
        after[..shape.page as usize].fill(0x5A);
        after[shape.page as usize * 2 + 1] ^= 0xFF;
        after[shape.page as usize * 3] ^= 0x0F;
        after[shape.page as usize * 3 + 3] ^= 0xF0;
        let image = Image::of(ByteAddress(0), &after);
        let start = bench.now();
        let mut avr = bench.entered();
        let _ = avr.write_eeprom(&image, &pages(shape.bytes, shape.page), &mut on).unwrap();
        assert!(avr.read(Memory::Eeprom, Span::first(shape.bytes), &mut on).unwrap().so_far() == image, "{name}");
        let sums = avr.checksums(Memory::Eeprom, Span::first(shape.bytes), &mut on).unwrap().so_far();
        assert!(sums.iter().map(|sum| sum.crc32).eq(after.chunks(shape.page as usize).map(crc32)), "{name}: checksums");
        drop(avr);
        assert!(bench.sim.contents().eeprom == after, "{name}");
        assert!(bench.now() - start < Duration::from_millis(600), "{name}: three writes, not hundreds: {:?}", bench.now() - start);
        bench.assert_clean();
    }
}

#[test]
fn configuration_is_set_byte_by_byte_and_proven_by_a_second_entry() {
    for name in BOARDS {
        let mut bench = Bench::factory(name);
        let expected = bench.board.expected_configuration(&bench.chip, &bench.chip.factory_configuration());
        let lock = bench.board.expected_lock(&bench.chip, bench.chip.lock.factory);
        let rungs = bench.rungs();
        let mut avr = AvrSpi::new(&mut bench.bus, &bench.chip);
        let first = avr.enter(&rungs).unwrap();
        // As shipped, all three run at 8 MHz / 8: 1 MHz * 0.92 / 4.
        assert_made(first.programming_clock, 230_000, name);
        for (byte, value) in expected.iter().enumerate() {
            avr.write_configuration(byte, *value).unwrap();
        }
        let second = avr.enter_slowest_first(&rungs).unwrap();
        // The board's own clock now.
        assert_made(second.programming_clock, rungs[0].programming_clock.0, name);
        let identity = avr.write_lock(lock).unwrap();
        assert_eq!((identity.lock, &identity.configuration), (lock, &expected), "{name}");
        avr.release().unwrap();
        drop(avr);
        let contents = bench.sim.contents();
        assert_eq!((contents.fuses, contents.lock, contents.calibration), (expected, lock, identity.calibration), "{name}");
        bench.assert_clean();
    }
}

#[test]
fn a_chip_on_its_slowest_clock_is_reached() {
    let mut bench = Bench::factory("frost").setting(Role::Clock, "internal-128-khz");
    let rungs = bench.rungs();
    let page = random(128, 5);
    let image = Image::of(ByteAddress(0x100), &page);
    let mut avr = AvrSpi::new(&mut bench.bus, &bench.chip);
    // 128 kHz / 8 = 16 kHz, of which 0.8 / 4.
    assert_made(avr.enter(&rungs).unwrap().programming_clock, 3_200, "frost");
    avr.erase().unwrap();
    let _ = avr.write_flash(&image, &[ByteAddress(0x100)], &mut on).unwrap();
    let sums = avr.checksums(Memory::Flash, Span::sized(ByteAddress(0x100), 128).unwrap(), &mut on).unwrap().so_far();
    assert_eq!(sums[0].crc32, crc32(&page));
    avr.release().unwrap();
    drop(avr);
    bench.assert_clean();
}

/// What a chip file says of some clocks is from memory. Where it is wrong, the chip is still entered.
#[test]
fn a_chip_that_is_far_slower_than_its_file_says_is_reached() {
    let (board, chip) = Catalog::built_in().board("generic-ata5790n").unwrap();
    let slow = Chip { own_clock: Some(Hertz(90_000)), ..chip.clone() };
    let sim = Sim::new(&board, &slow, SEED);
    let bus = sim.direct_bus();
    let mut bench = Bench { board, chip, sim, bus };
    let mut avr = bench.entered();
    let identity = avr.identify().unwrap();
    assert_eq!((identity.id, identity.configuration), ([0x1E, 0x94, 0x62], vec![0x49]));
    avr.release().unwrap();
    drop(avr);
    bench.assert_clean();
}

/// A watch crystal that its fuses also divide by 8 is the slowest clock that a chip can have.
#[test]
fn a_chip_on_a_watch_crystal_is_reached_although_its_board_file_does_not_say_so() {
    let (mut board, chip) = Catalog::built_in().board("generic-atmega328p").unwrap();
    let told = board.clock;
    let crystal = Hertz(32_768);
    board.clock = ClockSetting { source: ClockSource::Crystal { from_hz: crystal, to_hz: crystal }, hz: Hertz(4_096) };
    let sim = Sim::new(&board, &chip, SEED);
    board.clock = told;
    let bus = sim.direct_bus();
    let mut bench = Bench { board, chip, sim, bus }.setting(Role::Clock, "crystal-32-khz");
    let avr = bench.entered();
    drop(avr);
    bench.assert_clean();
}

#[test]
fn a_lost_clock_is_replaced_by_the_bridges() {
    for name in BOARDS {
        let mut bench = Bench::factory(name);
        bench.sim.damage(Fault::LostClock);
        let without = bench.rungs();
        let with = rungs(&bench.chip, bench.bus.abilities(), Some(bench.board.clock), Some(Hertz(1_000_000)));
        let mut avr = AvrSpi::new(&mut bench.bus, &bench.chip);
        assert!(matches!(avr.enter(&without), Err(AlgorithmError::NoAnswer(_))), "{name}");
        match avr.enter(&with) {
            Ok(entered) => assert_eq!(entered.clock_output, Some(Hertz(1_000_000)), "{name}"),
            Err(error) => panic!("{name}: {error}"),
        }
        avr.write_configuration(0, bench.chip.factory_configuration()[0]).unwrap();
        avr.release().unwrap();
        // It runs by itself again.
        assert_made(avr.enter(&without).unwrap().programming_clock, 230_000, name);
        drop(avr);
        bench.assert_clean();
    }
}

#[test]
fn faults_of_the_wiring_are_told_apart() {
    let held = |line, high| Fault::HeldLine(line, high);
    // The fault, what it shows, and the wire named first or second.
    let cases = [
        (Fault::OpenMiso, Evidence::AllOnes, "MISO (open"),
        (Fault::SwappedData, Evidence::AllOnes, "swapped with MOSI"),
        (Fault::ShortedData, Evidence::SentComesBack, "MOSI and MISO"),
        (Fault::NoPower, Evidence::NoPower, "the board's supply"),
        (Fault::WrongSupply(Millivolts(1_500)), Evidence::LowSupply, "the board's supply"),
        (held(HeldLine::Reset, true), Evidence::ResetHeldHigh, "RESET, which is shorted to the supply"),
        (held(HeldLine::Reset, false), Evidence::ResetHeldLow, "RESET, which is shorted to ground"),
        (held(HeldLine::Sck, true), Evidence::SckHeldHigh, "SCK"),
        (held(HeldLine::Sck, false), Evidence::AllOnes, "then SCK (held low"),
        (held(HeldLine::Mosi, true), Evidence::MosiHeldHigh, "MOSI"),
        (held(HeldLine::Mosi, false), Evidence::AllZeros, "MISO and MOSI"),
    ];
    for (fault, evidence, named) in cases {
        // As shipped: the first rung is too fast, and a chip whose RESET never moves does not get in step again.
        let mut bench = Bench::factory("vent");
        bench.sim.damage(fault.clone());
        let wiring = AvrSpi::new(&mut bench.bus, &bench.chip).wiring().unwrap();
        assert_eq!(wiring.evidence(), Some(evidence), "{fault:?}: {wiring:?}");
        let mut bench = Bench::factory("vent");
        bench.sim.damage(fault.clone());
        let rungs = bench.rungs();
        match AvrSpi::new(&mut bench.bus, &bench.chip).enter(&rungs) {
            Err(AlgorithmError::NoAnswer(found)) => {
                assert_eq!(found.evidence, evidence, "{fault:?}: {found}");
                assert!(found.to_string().lines().all(|line| line.len() <= 100), "{found}");
                let look = found.to_string().lines().find_map(|line| Some(line.strip_prefix("Look first at: ")?.to_owned()));
                assert!(look.is_some_and(|look| look.contains(named)), "{fault:?}: {found}");
            }
            other => panic!("{fault:?}: {other:?}"),
        }
    }
}

#[test]
fn wiring_in_order_shows_nothing_and_harms_nothing() {
    for name in BOARDS {
        for mut bench in [Bench::factory(name), Bench::configured(name)] {
            let level = bench.board.levels;
            let wiring = AvrSpi::new(&mut bench.bus, &bench.chip).wiring().unwrap();
            assert_eq!((wiring.supply, wiring.evidence()), (Some(level), None), "{name}");
            let lines = wiring.lines.unwrap().to_string();
            assert_eq!(lines, "RESET moves, SCK goes low, MOSI goes low, MISO moves and does not follow MOSI", "{name}");
            bench.assert_clean();
        }
    }
}

#[test]
fn another_chip_is_reported_by_its_id() {
    let mut bench = Bench::configured("vent");
    bench.sim.damage(Fault::OtherChip([0x1E, 0x96, 0x0A]));
    let rungs = bench.rungs();
    assert_eq!(AvrSpi::new(&mut bench.bus, &bench.chip).enter(&rungs).unwrap().id, [0x1E, 0x96, 0x0A]);
    bench.assert_clean();
}

#[test]
fn a_locked_chip_is_not_read_and_an_erase_unlocks_it() {
    let mut bench = Bench::configured("vent");
    bench.sim.damage(Fault::LockedChip(3));
    let locked = bench.sim.contents().lock;
    let mut avr = bench.entered();
    assert_eq!(avr.identify().unwrap().lock, locked);
    for memory in [Memory::Flash, Memory::Eeprom] {
        let error = avr.read(memory, Span::first(16), &mut on).unwrap_err();
        assert!(matches!(error, AlgorithmError::Locked { lock, .. } if lock == locked), "{error}");
    }
    avr.erase().unwrap();
    assert_eq!(avr.identify().unwrap().lock, 0xFF);
    assert!(avr.read(Memory::Flash, Span::first(16), &mut on).is_ok());
    drop(avr);
    bench.assert_clean();
}

#[test]
fn after_a_power_cut_the_same_work_reaches_its_end() {
    let mut bench = Bench::configured("frost");
    let shape = bench.chip.flash;
    let bytes = random(shape.bytes, 7);
    let image = Image::of(ByteAddress(0), &bytes);
    let all = pages(shape.bytes, shape.page);
    let mut avr = bench.entered();
    avr.erase().unwrap();
    drop(avr);
    bench.sim.damage(Fault::PowerCut(100));
    let rungs = bench.rungs();
    let mut avr = AvrSpi::new(&mut bench.bus, &bench.chip);
    avr.enter(&rungs).unwrap();
    assert!(avr.write_flash(&image, &all, &mut on).is_err());
    bench.sim.restore_power();
    avr.enter(&rungs).unwrap();
    avr.erase().unwrap();
    let _ = avr.write_flash(&image, &all, &mut on).unwrap();
    drop(avr);
    assert!(bench.sim.contents().flash == bytes);
    bench.assert_clean();
}

/// The least time that a write, a checksum of it and a read of it take, in seconds: an instruction is 32 clocks; a page is loaded by
/// an instruction a byte, written by one, and self-timed; every byte is read by one. A link carries a byte for each byte of flash;
/// the next page travels while the chip is busy with one.
fn least(chip: &Chip, made: Hertz, link: f64) -> [f64; 3] {
    let (bytes, page) = (f64::from(chip.flash.bytes), f64::from(chip.flash.page));
    let instruction = 32.0 / f64::from(made.0);
    let travel = page / link;
    let pages = bytes / page;
    let work = (page + 1.0) * instruction + chip.timings.flash_write_max.as_secs_f64();
    let write = travel + (pages - 1.0) * travel.max(work) + work;
    let read = page * instruction + (pages - 1.0) * travel.max(page * instruction) + travel;
    [write, bytes * instruction, read]
}

/// Writes, sums and reads a whole flash of random bytes: the clock made, and the seconds that each took.
fn timed(bus: &mut dyn Bus, board: &Board, chip: &Chip) -> (Hertz, [f64; 3]) {
    let bytes = random(chip.flash.bytes, 11);
    let image = Image::of(ByteAddress(0), &bytes);
    let rungs = rungs(chip, bus.abilities(), Some(board.clock), None);
    let clock = bus.clock();
    let mut avr = AvrSpi::new(bus, chip);
    let made = avr.enter(&rungs).unwrap().programming_clock;
    let mut last = clock.now();
    let mut lap = || clock.now().since(std::mem::replace(&mut last, clock.now())).as_secs_f64();
    let _ = avr.write_flash(&image, &pages(chip.flash.bytes, chip.flash.page), &mut on).unwrap();
    let write = lap();
    let sums = avr.checksums(Memory::Flash, Span::first(chip.flash.bytes), &mut on).unwrap().so_far();
    let sum = lap();
    assert!(avr.read(Memory::Flash, Span::first(chip.flash.bytes), &mut on).unwrap().so_far() == image);
    assert!(sums.iter().map(|sum| sum.crc32).eq(bytes.chunks(chip.flash.page as usize).map(crc32)));
    (made, [write, sum, lap()])
}

fn assert_near(took: [f64; 3], least: [f64; 3], factor: f64, case: &str) {
    for (what, (took, least)) in ["write", "checksums", "read"].into_iter().zip(took.into_iter().zip(least)) {
        assert!(took < least * factor, "{case}, {what}: {took:.3} s, and {least:.3} s at the least");
    }
}

#[test]
fn the_work_takes_what_the_chip_needs_and_little_more() {
    for name in BOARDS {
        let Bench { board, chip, sim, mut bus } = Bench::configured(name);
        let (made, took) = timed(&mut bus, &board, &chip);
        assert_near(took, least(&chip, made, f64::INFINITY), 1.02, name);
        assert_eq!(sim.violations().list, []);
    }
}

#[test]
fn over_the_wire_the_link_is_hidden_behind_the_chip() {
    for name in BOARDS {
        let Bench { board, chip, sim, .. } = Bench::configured(name);
        let wire = sim.wire();
        let link = f64::from(wire.bytes_per_second());
        let mut client = Client::connect(wire).unwrap();
        let (made, took) = timed(&mut client, &board, &chip);
        assert_near(took, least(&chip, made, link), 1.02, name);
        assert_eq!(sim.violations().list, []);
    }
}

#[test]
fn over_the_wire_a_chip_on_its_slowest_clock_is_waited_for() {
    let Bench { board, chip, sim, .. } = Bench::factory("frost").setting(Role::Clock, "internal-128-khz");
    let mut client = Client::connect(sim.wire()).unwrap();
    let rungs = rungs(&chip, client.abilities(), Some(board.clock), None);
    let page = Image::of(ByteAddress(0x80), &random(128, 9));
    let span = Span::sized(ByteAddress(0x80), 128).unwrap();
    let mut avr = AvrSpi::new(&mut client, &chip);
    assert_made(avr.enter_slowest_first(&rungs).unwrap().programming_clock, 3_200, "frost");
    avr.erase().unwrap();
    let _ = avr.write_flash(&page, &[span.start()], &mut on).unwrap();
    assert!(avr.read(Memory::Flash, span, &mut on).unwrap().so_far() == page);
    drop(avr);
    assert_eq!(sim.violations().list, []);
}

/// Every ability that the chip files declare for this way in, tried.
#[test]
fn the_declared_abilities_are_there() {
    for name in BOARDS {
        let Bench { chip, .. } = Bench::factory(name);
        let way = chip.ways_in.iter().find(|way| way.way == Way::Spi).unwrap();
        for memory in &way.reads {
            reads(name, *memory);
        }
        assert_eq!(way.flash_erase, EraseUnit::Chip, "{name}: no other is known here");
        for keep in ["on", "off"] {
            erases(name, keep, &way.chip_erase_takes);
        }
        if way.eeprom_writes_erase {
            writes_eeprom_without_an_erase(name);
        }
    }
}

fn reads(name: &str, memory: Memory) {
    let mut bench = Bench::configured(name);
    let (flash, eeprom) = (random(bench.chip.flash.bytes, 21), random(bench.chip.eeprom.bytes, 22));
    bench.sim.edit(|contents| (contents.flash, contents.eeprom) = (flash, eeprom));
    let held = bench.sim.contents();
    let mut avr = bench.entered();
    let mut whole = |bytes: &[u8]| {
        let read = avr.read(memory, Span::first(bytes.len() as u32), &mut on).unwrap().so_far();
        assert!(read == Image::of(ByteAddress(0), bytes), "{name}: {}", memory.name());
    };
    match memory {
        Memory::Flash => whole(&held.flash),
        Memory::Eeprom => whole(&held.eeprom),
        Memory::Configuration => assert_eq!(avr.identify().unwrap().configuration, held.fuses, "{name}"),
        Memory::Lock => assert_eq!(avr.identify().unwrap().lock, held.lock, "{name}"),
    }
    drop(avr);
    bench.assert_clean();
}

fn erases(name: &str, keep_eeprom: &str, takes: &[Memory]) {
    let mut bench = Bench::configured(name).setting(Role::KeepEeprom, keep_eeprom);
    bench.sim.edit(|contents| {
        contents.flash.fill(0x00);
        contents.eeprom.fill(0x00);
    });
    bench.sim.damage(Fault::LockedChip(2));
    let before = bench.sim.contents();
    bench.entered().erase().unwrap();
    let after = bench.sim.contents();
    assert!(after.flash.iter().all(|byte| *byte == bench.chip.flash.blank), "{name}: flash");
    let eeprom_goes = takes.contains(&Memory::Eeprom) && keep_eeprom == "off";
    let expected = if eeprom_goes { bench.chip.eeprom.blank } else { 0x00 };
    assert!(after.eeprom.iter().all(|byte| *byte == expected), "{name}: EEPROM, keep-eeprom {keep_eeprom}");
    assert_eq!(after.lock != before.lock, takes.contains(&Memory::Lock), "{name}: lock");
    assert_eq!(after.fuses != before.fuses, takes.contains(&Memory::Configuration), "{name}: configuration");
    bench.assert_clean();
}

fn writes_eeprom_without_an_erase(name: &str) {
    let mut bench = Bench::configured(name);
    bench.sim.edit(|contents| contents.eeprom.fill(0x00));
    let page = bench.chip.eeprom.page;
    let image = Image::of(ByteAddress(page), &vec![0xA5; page as usize]);
    let mut avr = bench.entered();
    let _ = avr.write_eeprom(&image, &[ByteAddress(page)], &mut on).unwrap();
    drop(avr);
    let eeprom = bench.sim.contents().eeprom;
    let expected = |at: usize| if Span::sized(ByteAddress(page), page).unwrap().contains(ByteAddress(at as u32)) { 0xA5 } else { 0x00 };
    assert!(eeprom.iter().enumerate().all(|(at, byte)| *byte == expected(at)), "{name}");
    bench.assert_clean();
}
