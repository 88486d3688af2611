//! Reads a board file and checks it against its chip.

use super::chip::{Chip, ClockSource, FROM_MEMORY, Fact, Field, Role};
use super::chip_file::{FASTEST_CLOCK, SUPPLY, span, supply};
use super::configuration::SMALL_SWING;
use super::layout::{
    Board, Caution, ClockSetting, Console, HeaderPins, HoldPin, LoaderLine, Region, RegionOwner, Reservation, SerialNumber, SettingsStore,
    shape,
};
use super::loader::{USARTS, loader};
use crate::image::{Memory, Span};
use crate::reader::{Mistake, Placed, Table, one_of, read};
use crate::units::{ControlLine, Hertz, Millivolts};

/// Line speeds that a board file may give, in bits a second.
pub const BAUD: std::ops::RangeInclusive<u32> = 50..=4_000_000;
/// A place on a programming header that is connected to nothing.
const NOT_CONNECTED: &str = "-";

/// Reads a board file; every mistake in it at once. `find_chip` gives the chip of a part number, or says why it cannot.
pub fn read_board(text: &str, find_chip: impl Fn(&str) -> Result<Chip, String>) -> Result<(Board, Chip), Vec<Mistake>> {
    read(text, |file| build(file, &find_chip))
}

fn build(file: &Table, find_chip: &dyn Fn(&str) -> Result<Chip, String>) -> Option<(Board, Chip)> {
    let chip = file.text("chip").and_then(|part| match find_chip(&part.value) {
        Ok(chip) => Some(chip),
        Err(why) => {
            file.wrong(part.at, why);
            None
        }
    });
    let name = file.name("name");
    let summary = file.text("summary");
    let generic = file.flag("generic", false);
    let supply = file.table("supply").and_then(|table| borne_supply(&table, chip.as_ref()));
    let levels = file.table("levels").and_then(|table| levels(&table, chip.as_ref()));
    let clock = file.table("clock").and_then(|table| clock(&table));
    let header = file.table("programming_header").and_then(|table| header(&table, chip.as_ref()));
    let reservation = optional(file.optional_table("reservation"), |table| reservation(table, chip.as_ref()));
    let store = optional(file.optional_table("settings_store"), |table| settings_store(table, chip.as_ref()));
    let serial_number = optional(file.optional_table("serial_number"), |table| serial_number(table, chip.as_ref()));
    let console = optional(file.optional_table("console"), console);
    let reserved = reservation.as_ref().and_then(|found| Some(found.as_ref()?.span));
    let regions = regions(file, chip.as_ref(), reserved);
    let configuration = expected(file, "expected_configuration", chip.as_ref().map(|chip| chip.fields.as_slice()));
    let lock = expected(file, "expected_lock", chip.as_ref().map(|chip| chip.lock_fields.as_slice()));
    let cautions = file.texts("cautions");

    let (clock, clock_pin_wired) = clock?;
    let board = Board {
        name: name?.value,
        summary: summary?.value,
        chip: chip.as_ref()?.part.clone(),
        generic: generic?,
        supply: supply?,
        levels: levels.as_ref()?.signal,
        level_follows_supply: levels.as_ref()?.follows_supply,
        bears_5v: levels.as_ref()?.bears_5v,
        levels_shifted: levels?.shifted,
        clock: clock.value,
        clock_pin_wired,
        header: header?,
        reservation: reservation?,
        regions: regions?,
        expected_configuration: configuration?,
        expected_lock: lock?,
        console: console?,
        settings: store?,
        serial_number: serial_number?,
        cautions: cautions?.into_iter().map(|text| Caution { text: text.value }).collect(),
    };
    let chip = chip?;
    let sound = [
        starts_its_loader(file, &board, &chip),
        runs_at_its_clock(file, clock.at, &board, &chip),
        drives_its_crystal(file, &board, &chip),
        starts_at_its_supply(file, &board, &chip),
        has_its_loader(file, &board, &chip),
    ];
    sound.iter().all(|sound| *sound).then_some((board, chip))
}

/// What a table gives that may be missing: `None` only where it is there and wrong.
fn optional<T>(table: Option<Table>, read: impl FnOnce(&Table) -> Option<T>) -> Option<Option<T>> {
    match table {
        None => Some(None),
        Some(table) => read(&table).map(Some),
    }
}

struct Levels {
    signal: Millivolts,
    follows_supply: bool,
    bears_5v: bool,
    shifted: bool,
}

/// The board's supply, which its chip must bear.
fn borne_supply(table: &Table, chip: Option<&Chip>) -> Option<(Millivolts, Millivolts)> {
    let found = supply(table)?;
    bears(table, "most_mv", chip).then_some(found)
}

/// Whether the chip, where it is known, bears the voltage that this key gives.
fn bears(table: &Table, key: &'static str, chip: Option<&Chip>) -> bool {
    let Some((chip, (_, most))) = chip.and_then(|chip| Some((chip, chip.supply?))) else { return true };
    let Some(given) = table.number(key, SUPPLY).filter(|given| given.value > most.0.into()) else { return true };
    let mark = chip.mark(Fact::Supply);
    let message = format!("`{key}` must be at most {}, which is what the {} bears{mark}; found {}", most.0, chip.part, given.value);
    table.wrong(given.at, message);
    false
}

fn levels(table: &Table, chip: Option<&Chip>) -> Option<Levels> {
    let signal = table.number("signal_mv", SUPPLY);
    let follows_supply = table.flag("follow_supply", false);
    let bears_5v = table.flag("inputs_bear_5v", false);
    let shifted = table.flag("shifted", false);
    let (signal, follows_supply, bears_5v) = (signal?, follows_supply?, bears_5v?);
    if follows_supply && bears_5v {
        table.wrong(
            table.at(),
            "`follow_supply` and `inputs_bear_5v` exclude each other: inputs that bear more than the supply have a level",
        );
        return None;
    }
    let shifted = shifted?;
    // Behind parts that shift the levels, the signals are not the chip's.
    if !shifted && !bears(table, "signal_mv", chip) {
        return None;
    }
    Some(Levels { signal: Millivolts(signal.value as u16), follows_supply, bears_5v, shifted })
}

/// `hz` is what the firmware sees. `source_hz` is the oscillator's or crystal's own frequency, where the chip divides it. The second
/// value says whether the bridge's clock output is wired to the chip's clock pin.
fn clock(table: &Table) -> Option<(Placed<ClockSetting>, bool)> {
    let wired = table.flag("pin_wired", false);
    let source = table.choice("source", &[("internal", 0), ("crystal", 1), ("external", 2)]);
    let hz = table.number("hz", 1..=FASTEST_CLOCK);
    let own = table.has("source_hz").then(|| table.number("source_hz", 1..=FASTEST_CLOCK));
    let (source, hz) = (source?, hz?);
    let own = match own {
        None => hz.value,
        Some(own) if source.value == 2 => {
            let message = "`source_hz` is for a crystal or the chip's own oscillator; a clock signal must come undivided";
            table.wrong(own?.at, message);
            return None;
        }
        Some(own) => own?.value,
    };
    let source = match source.value {
        0 => ClockSource::Internal { hz: Hertz(own) },
        1 => ClockSource::Crystal { from_hz: Hertz(own), to_hz: Hertz(own) },
        _ => ClockSource::External,
    };
    Some((hz.map(|hz| ClockSetting { source, hz: Hertz(hz) }), wired?))
}

/// `signals` names what stands on each pin of the header, in the order of the pin numbers.
fn header(table: &Table, chip: Option<&Chip>) -> Option<HeaderPins> {
    let kind = table.text("kind");
    if !table.has("signals") {
        table.wrong(table.at(), "[programming_header] lacks the key `signals`");
    }
    let signals = table.texts("signals");
    let (kind, signals) = (kind?, signals?);
    let expected = shape(&kind.value).and_then(|(rows, columns)| rows.checked_mul(columns));
    if expected.is_some_and(|count| count != signals.len()) {
        let message = format!("`signals` must have as many entries as a {} header has pins; found {}", kind.value, signals.len());
        table.wrong(signals.first().map_or(kind.at, |first| first.at), message);
    }
    let ways = chip?.ways_in.as_slice();
    let mut pins = Vec::new();
    for signal in &signals {
        let pin = ways.iter().flat_map(|way| &way.pins).find(|(known, _)| *known == signal.value);
        match pin {
            Some((known, pin)) => pins.push((known.clone(), pin.clone())),
            None if signal.value == NOT_CONNECTED => pins.push((NOT_CONNECTED.into(), NOT_CONNECTED.into())),
            None => {
                let known = ways.iter().flat_map(|way| &way.pins).map(|(signal, _)| signal.as_str()).chain([NOT_CONNECTED]);
                table.wrong(signal.at, format!("the chip has no signal \"{}\"; allowed: {}", signal.value, one_of(known)));
            }
        }
    }
    let complete = ways.iter().any(|way| way.pins.iter().all(|(signal, _)| pins.iter().any(|(there, _)| there == signal)));
    if pins.len() == signals.len() && !complete {
        let needed = ways.iter().map(|way| way.pins.iter().map(|(signal, _)| signal.as_str()).collect::<Vec<_>>().join(", "));
        let message = format!("`signals` must have all of one way in: {}", needed.collect::<Vec<_>>().join("; or "));
        table.wrong(signals.first().map_or(kind.at, |first| first.at), message);
    }
    Some(HeaderPins { kind: kind.value, pins })
}

fn reservation(table: &Table, chip: Option<&Chip>) -> Option<Reservation> {
    let span = span(table, chip.map(|chip| chip.flash.bytes), "flash");
    let loader = table.has("loader").then(|| table.name("loader"));
    let start_delay_ms = table.number("start_delay_ms", 0..=600_000);
    let line = loader_line(table);
    let loader = match loader {
        None => None,
        Some(name) => Some(name?.value),
    };
    let span = span?;
    if !chip.is_none_or(|chip| fits_the_chip(table, &span, chip)) {
        return None;
    }
    Some(Reservation { span: span.value, loader, start_delay_ms: start_delay_ms?.value, line: line? })
}

fn loader_line(table: &Table) -> Option<LoaderLine> {
    let usart = table.has("usart").then(|| table.number("usart", USARTS));
    let baud = table.has("baud").then(|| table.number("baud", BAUD));
    let pin = table.has("hold_pin").then(|| table.text("hold_pin"));
    let low = table.optional_choice("hold_level", &[("low", true), ("high", false)]);
    let hold = match pin {
        None => None,
        Some(pin) => Some(HoldPin { pin: pin?.value, low: low.is_none_or(|low| low.value) }),
    };
    let number = |given: Option<Option<Placed<u32>>>| given.map_or(Some(None), |given| given.map(|given| Some(given.value)));
    Some(LoaderLine { usart: number(usart)?.map(|number| number as u8), baud: number(baud)?, hold })
}

fn fits_the_chip(table: &Table, span: &Placed<Span>, chip: &Chip) -> bool {
    let page = chip.flash.page;
    if span.value.to_pages(page) != span.value {
        table.wrong(span.at, format!("the reservation must be whole flash pages of {page} bytes; found {}", span.value));
        return false;
    }
    let sections = &chip.boot_sections;
    let ends = [chip.flash_span().start() == span.value.start(), chip.flash_span().end() == span.value.end()];
    let fits = if sections.is_empty() { ends.contains(&true) } else { sections.iter().any(|section| section.span == span.value) };
    if !fits {
        let allowed: Vec<String> =
            sections.iter().map(|section| format!("{} bytes from {}", section.span.len(), section.span.start())).collect();
        let message = match allowed.is_empty() {
            true => "the reservation must lie at the beginning or the end of the flash".to_string(),
            false => {
                let mark = chip.mark(Fact::BootSections);
                format!("the reservation must be a boot section of the chip; allowed: {}{mark}", one_of(allowed.iter().map(String::as_str)))
            }
        };
        table.wrong(span.at, message);
    }
    fits
}

fn settings_store(table: &Table, chip: Option<&Chip>) -> Option<SettingsStore> {
    let span = span(table, chip.map(|chip| chip.eeprom.bytes), "EEPROM")?;
    Some(SettingsStore { span: span.value })
}

fn serial_number(table: &Table, chip: Option<&Chip>) -> Option<SerialNumber> {
    let memory = table.choice("memory", &[("eeprom", Memory::Eeprom), ("flash", Memory::Flash)])?.value;
    let (name, bytes) = match memory {
        Memory::Eeprom => ("EEPROM", chip.map(|chip| chip.eeprom.bytes)),
        _ => ("flash", chip.map(|chip| chip.flash.bytes)),
    };
    Some(SerialNumber { memory, span: span(table, bytes, name)?.value })
}

fn console(table: &Table) -> Option<Console> {
    let baud = table.number("baud", BAUD);
    let alive = table.text("alive");
    let reset_line = table.optional_choice("reset_line", &[("dtr", ControlLine::Dtr), ("rts", ControlLine::Rts)]);
    Some(Console { baud: baud?.value, alive: alive?.value, reset_line: reset_line.map(|line| line.value) })
}

fn regions(file: &Table, chip: Option<&Chip>, reserved: Option<Span>) -> Option<Vec<Region>> {
    let mut taken: Vec<Region> = Vec::new();
    let mut sound = true;
    for table in file.tables("regions")? {
        let name = table.name("name");
        let owner = table.choice("owner", &[("loader", RegionOwner::Loader), ("application", RegionOwner::Application)]);
        let span = span(&table, chip.map(|chip| chip.flash.bytes), "flash");
        let (Some(name), Some(owner), Some(span)) = (name, owner, span) else {
            sound = false;
            continue;
        };
        let region = Region { name: name.value, span: span.value, owner: owner.value };
        for (at, message) in region_mistakes(&region, name.at, span.at, chip, reserved, &taken) {
            table.wrong(at, message);
            sound = false;
        }
        taken.push(region);
    }
    sound.then_some(taken)
}

fn region_mistakes(
    region: &Region,
    name_at: usize,
    span_at: usize,
    chip: Option<&Chip>,
    reserved: Option<Span>,
    before: &[Region],
) -> Vec<(usize, String)> {
    let mut found = Vec::new();
    if ["loader", "application"].contains(&region.name.as_str()) || before.iter().any(|other| other.name == region.name) {
        found.push((name_at, format!("the name \"{}\" is taken; loader and application are regions of every board", region.name)));
    }
    if let Some(page) = chip.map(|chip| chip.flash.page).filter(|page| region.span.to_pages(*page) != region.span) {
        found.push((span_at, format!("a region must be whole flash pages of {page} bytes; found {}", region.span)));
    }
    let mut overlaps = before.iter().filter(|other| other.span.overlap(region.span).is_some());
    if let Some(other) = overlaps.next() {
        found.push((span_at, format!("region \"{}\" overlaps region \"{}\", {}", region.name, other.name, other.span)));
    }
    let in_reservation = reserved.and_then(|reserved| reserved.overlap(region.span));
    let wrong_side = match region.owner {
        RegionOwner::Application => in_reservation.is_some(),
        RegionOwner::Loader => reserved.is_some() && in_reservation != Some(region.span),
    };
    if wrong_side {
        let rule = match region.owner {
            RegionOwner::Application => "lie outside the reservation, because its owner is the application",
            RegionOwner::Loader => "lie inside the reservation, because its owner is the loader",
        };
        found.push((span_at, format!("region \"{}\" must {rule}", region.name)));
    }
    found
}

/// The `field = "value"` pairs under a key, each known to the chip.
fn expected(file: &Table, key: &'static str, fields: Option<&[Field]>) -> Option<Vec<(String, String)>> {
    let Some(table) = file.optional_table(key) else { return Some(Vec::new()) };
    let pairs = table.pairs()?;
    let fields = fields?;
    let mut sound = true;
    for (name, value) in &pairs {
        let Some(field) = fields.iter().find(|field| field.name == name.value) else {
            let known = one_of(fields.iter().map(|field| field.name.as_str()));
            table.wrong(name.at, format!("the chip has no field `{}`; allowed: {known}", name.value.escape_debug()));
            sound = false;
            continue;
        };
        match field.value(&value.value) {
            None => {
                let known = one_of(field.values.iter().map(|value| value.name.as_str()));
                table.wrong(value.at, format!("`{}` has no value \"{}\"; allowed: {known}", field.name, value.value));
                sound = false;
            }
            Some(known) if !known.shuts.is_empty() => {
                table.wrong(value.at, format!("`{} = \"{}\"` would shut a way in for good", field.name, known.name));
                sound = false;
            }
            Some(_) => {}
        }
    }
    sound.then(|| pairs.into_iter().map(|(name, value)| (name.value, value.value)).collect())
}

/// With a reservation, the expected configuration must make the chip start there.
fn starts_its_loader(file: &Table, board: &Board, chip: &Chip) -> bool {
    let Some(reservation) = &board.reservation else { return true };
    let mut sound = true;
    let section = chip.boot_sections.iter().find(|section| section.span == reservation.span).and_then(|section| section.bits);
    let wanted = [
        (Role::BootSection, chip.field_for(Role::BootSection).and_then(|f| f.values.iter().find(|v| Some(v.bits) == section))),
        (Role::ResetStart, chip.field_for(Role::ResetStart).and_then(|f| f.value("loader"))),
    ];
    for (role, value) in wanted {
        let (Some(field), Some(value)) = (chip.field_for(role), value) else { continue };
        if board.expected_value(field) != Some(&value.name) {
            let at = file.place("expected_configuration");
            let message = format!("[expected_configuration] must have `{} = \"{}\"`, to start the reservation", field.name, value.name);
            file.wrong(at, message);
            sound = false;
        }
    }
    sound
}

/// A built-in loader must be one for this board.
fn has_its_loader(file: &Table, board: &Board, chip: &Chip) -> bool {
    let name = board.built_in_loader();
    let wrong = name.and_then(|name| loader(name, board, chip).err());
    if let Some(why) = &wrong {
        file.wrong(file.place("reservation"), why.to_string());
    }
    wrong.is_none()
}

/// The expected configuration must give the clock that the file says the firmware sees.
fn runs_at_its_clock(file: &Table, at: usize, board: &Board, chip: &Chip) -> bool {
    let configuration = board.expected_configuration(chip, &chip.factory_configuration());
    let gives = chip.system_clock(board, &configuration);
    let right = gives == Some(board.clock.hz);
    if !right {
        let gives = gives.map_or("a clock that the board does not have".to_string(), |hz| format!("{hz}{}", chip.mark(Fact::Clock)));
        file.wrong(at, format!("`hz` must be what [expected_configuration] gives, which is {gives}; found {}", board.clock.hz));
    }
    right
}

/// A fast crystal must get the swing that drives it.
fn drives_its_crystal(file: &Table, board: &Board, chip: &Chip) -> bool {
    let configuration = board.expected_configuration(chip, &chip.factory_configuration());
    let underdriven = chip.underdriven(board.clock.source, &configuration);
    if let (Some(field), ClockSource::Crystal { to_hz, .. }) = (underdriven, board.clock.source) {
        let message = format!(
            "[expected_configuration] must have `{} = \"full\"`: the crystal is of {to_hz}, and the small swing drives up to \
             {SMALL_SWING}{FROM_MEMORY}",
            field.name
        );
        file.wrong(file.place("expected_configuration"), message);
    }
    underdriven.is_none()
}

/// The expected brown-out level must not hold the chip in reset at every supply that the board bears.
fn starts_at_its_supply(file: &Table, board: &Board, chip: &Chip) -> bool {
    let configuration = board.expected_configuration(chip, &chip.factory_configuration());
    let most = board.supply.1;
    let level = chip.brown_out(&configuration).filter(|(field, level)| *level > most && board.expected_value(field).is_some());
    if let Some((field, level)) = level {
        let message = format!(
            "`{}` must not hold the chip in reset at every supply up to {most}; found {level}; allowed: {}",
            field.name,
            one_of(field.values_at(most))
        );
        file.wrong(file.place("expected_configuration"), message);
    }
    level.is_none()
}
