//! Reads a chip file.

use super::chip::{
    BootSection, Chip, ClockSource, ConfigurationByte, EepromWrites, EraseUnit, FROM_MEMORY, Fact, Field, FieldValue, MemoryShape, Ready,
    Role, Timings, Way, WayIn,
};
use super::known_chips::RefusedChip;
use crate::image::{ByteAddress, Memory, Span};
use crate::reader::{Mistake, Placed, Table, one_of, read};
use crate::units::{Hertz, Millivolts};
use std::time::Duration;

/// The largest memory that a file may give: a bound against slips, far above what the supported chips have.
const LARGEST_MEMORY: u32 = 16 * 1024 * 1024;
/// Supplies that a file may give, in millivolts.
pub(super) const SUPPLY: std::ops::RangeInclusive<u32> = 1_000..=6_000;
/// The fastest clock that a file may give, in hertz.
pub(super) const FASTEST_CLOCK: u32 = 200_000_000;

const ROLES: &[(&str, Role)] = &[
    ("clock", Role::Clock),
    ("start-up", Role::StartUp),
    ("clock-divider", Role::ClockDivider),
    ("crystal-swing", Role::CrystalSwing),
    ("reset-start", Role::ResetStart),
    ("boot-section", Role::BootSection),
    ("keep-eeprom", Role::KeepEeprom),
    ("watchdog", Role::Watchdog),
    ("old-part-mode", Role::OldPartMode),
    ("programming-lock", Role::ProgrammingLock),
    ("boot-lock", Role::BootLock),
];
const MEMORIES: &[(&str, Memory)] =
    &[("flash", Memory::Flash), ("eeprom", Memory::Eeprom), ("configuration", Memory::Configuration), ("lock", Memory::Lock)];
const WAYS: &[(&str, Way)] = &[("spi", Way::Spi)];
const READY: &[(&str, Ready)] = &[("ready-bit", Ready::Bit), ("data-polling", Ready::DataPolling)];
const EEPROM_WRITES: &[(&str, EepromWrites)] = &[("pages", EepromWrites::Pages), ("bytes", EepromWrites::Bytes)];
const FACTS: &[(&str, Fact)] =
    &[("clock", Fact::Clock), ("fastest", Fact::Fastest), ("supply", Fact::Supply), ("boot-sections", Fact::BootSections)];
const ERASE_UNITS: &[(&str, EraseUnit)] = &[("chip", EraseUnit::Chip)];

/// Reads a chip file; every mistake in it at once.
pub fn read_chip(text: &str) -> Result<Chip, Vec<Mistake>> {
    read(text, build)
}

fn build(file: &Table) -> Option<Chip> {
    let part = file.text("part");
    let family = file.name("family");
    let jmp = file.flag("jmp", true);
    let fastest = match file.has("fastest_hz") {
        true => file.number("fastest_hz", 1..=FASTEST_CLOCK).map(|hz| Some(Hertz(hz.value))),
        false => Some(None),
    };
    let id = file.numbers::<3>("id", 0..=0xFF);
    let supply = match file.optional_table("supply") {
        Some(table) => supply(&table).map(Some),
        None => Some(None),
    };
    let memories = file.table("memories").map(|memories| (memory(&memories, "flash"), memory(&memories, "eeprom")));
    let timings = file.table("timings").and_then(|table| timings(&table));
    let programming_clock = programming_clock(file);
    let bytes = configuration(file);
    let lock = file.table("lock").and_then(|table| Some(table.number("factory", 0..=0xFF)?.value as u8));
    let byte_names: Vec<&str> = bytes.iter().flatten().map(|byte| byte.name.as_str()).collect();
    let fields = fields(file, "fields", &byte_names);
    let lock_fields = fields_of_lock(file);
    let flash_bytes = memories.and_then(|(flash, _)| Some(flash?.bytes));
    let boot_sections = boot_sections(file, fields.as_deref(), flash_bytes);
    let own_clock = own_clock(file, fields.as_deref());
    let ways_in = ways_in(file);
    let from_memory = file.choices("from_memory", FACTS);

    let ((flash, eeprom), mut fields, lock_fields) = (memories?, fields?, lock_fields?);
    let from_memory = from_memory?;
    if from_memory.contains(&Fact::Clock) {
        mark_clocks(&mut fields);
    }
    locks_what_is_there(file, &fields, eeprom?)?;
    let mut configuration = bytes?;
    for (index, byte) in configuration.iter_mut().enumerate() {
        byte.used = used(fields.iter().filter(|field| field.byte == index));
    }
    let lock = ConfigurationByte { name: "lock".into(), factory: lock?, used: used(lock_fields.iter()) };
    Some(Chip {
        part: part?.value,
        family: family?.value,
        supply: supply?,
        jmp: jmp?,
        fastest: fastest?,
        id: id?.value.map(|byte| byte as u8),
        flash: flash?,
        eeprom: eeprom?,
        timings: timings?,
        configuration,
        fields,
        lock,
        lock_fields,
        boot_sections: boot_sections?,
        own_clock: own_clock?,
        programming_clock: programming_clock?,
        ways_in: ways_in?,
        from_memory,
    })
}

/// `least_mv` and `most_mv` of a table.
pub(super) fn supply(table: &Table) -> Option<(Millivolts, Millivolts)> {
    let least = table.number("least_mv", SUPPLY);
    let most = table.number("most_mv", SUPPLY);
    let (least, most) = (least?, most?);
    if least.value > most.value {
        table.wrong(least.at, format!("`least_mv` must not be above `most_mv`; found {} and {}", least.value, most.value));
        return None;
    }
    Some((Millivolts(least.value as u16), Millivolts(most.value as u16)))
}

/// Reads the file of parts that are known and not programmed.
pub(super) fn read_refused(text: &str) -> Result<Vec<RefusedChip>, Vec<Mistake>> {
    read(text, |file| {
        let rows = file.tables("chips")?.into_iter().map(|table| {
            let (part, reason) = (table.text("part"), table.text("reason"));
            let id = match table.has("id") {
                true => Some(table.numbers::<3>("id", 0..=0xFF)?.value.map(|byte| byte as u8)),
                false => None,
            };
            Some(RefusedChip { part: part?.value, id, reason: reason?.value })
        });
        rows.collect()
    })
}

/// Whether the EEPROM has what values of fields keep from being written.
fn locks_what_is_there(file: &Table, fields: &[Field], eeprom: MemoryShape) -> Option<()> {
    let astray = |field: &&Field| {
        let locked = field.values.iter().filter_map(|value| value.locks_eeprom);
        locked.into_iter().any(|span| span.end().0 > eeprom.bytes || span.start().0 % eeprom.page != 0 || span.len() % eeprom.page != 0)
    };
    let Some(field) = fields.iter().find(astray) else { return Some(()) };
    let message = format!("field \"{}\": `locks_eeprom` must be whole pages inside the EEPROM of {} bytes", field.name, eeprom.bytes);
    file.wrong(file.at(), message);
    None
}

/// Every screen that says what a clock is then says that it is from memory.
fn mark_clocks(fields: &mut [Field]) {
    let of_clock = fields.iter_mut().filter(|field| field.role == Some(Role::Clock));
    of_clock.flat_map(|field| &mut field.values).for_each(|value| value.words.push_str(FROM_MEMORY));
}

/// The bits that the fields have between them.
fn used<'f>(fields: impl Iterator<Item = &'f Field>) -> u8 {
    fields.fold(0, |used, field| used | field.mask)
}

fn memory(memories: &Table, key: &'static str) -> Option<MemoryShape> {
    let table = memories.table(key)?;
    let size = table.number("size", 1..=LARGEST_MEMORY);
    let page = table.power_of_two("page", 1..=64 * 1024);
    let blank = table.number("blank_value", 0..=0xFF);
    let (size, page) = (size?, page?);
    if size.value % page.value != 0 {
        table.wrong(size.at, format!("`size` must be whole pages of {} bytes; found {}", page.value, size.value));
        return None;
    }
    Some(MemoryShape { bytes: size.value, page: page.value, blank: blank?.value as u8 })
}

fn timings(table: &Table) -> Option<Timings> {
    let time = |key| Some(Duration::from_micros(table.number(key, 1..=10_000_000)?.value.into()));
    let flash_write_max = time("flash_write_max_us");
    let eeprom_write_max = time("eeprom_write_max_us");
    let erase_max = time("erase_max_us");
    let configuration_write_max = time("configuration_write_max_us");
    Some(Timings {
        flash_write_max: flash_write_max?,
        eeprom_write_max: eeprom_write_max?,
        erase_max: erase_max?,
        configuration_write_max: configuration_write_max?,
    })
}

fn programming_clock(file: &Table) -> Option<Vec<(Hertz, u32)>> {
    let mut rows: Vec<(Hertz, u32)> = Vec::new();
    let mut sound = true;
    for table in file.tables("programming_clock")? {
        let from = table.number("system_clock_from_hz", 0..=FASTEST_CLOCK);
        let divisor = table.number("divisor", 1..=1000);
        let (Some(from), Some(divisor)) = (from, divisor) else {
            sound = false;
            continue;
        };
        let rises = rows.last().map_or(from.value == 0, |(last, _)| from.value > last.0);
        if !rises {
            table.wrong(from.at, "`system_clock_from_hz` must be 0 in the first row and rise from row to row");
            sound = false;
        }
        rows.push((Hertz(from.value), divisor.value));
    }
    if sound && rows.is_empty() {
        file.wrong(file.at(), "the file lacks the list `programming_clock`");
    }
    (sound && !rows.is_empty()).then_some(rows)
}

/// The configuration bytes, without the bits in use: those follow from the fields.
fn configuration(file: &Table) -> Option<Vec<ConfigurationByte>> {
    let mut bytes: Vec<ConfigurationByte> = Vec::new();
    let mut sound = true;
    for table in file.tables("configuration")? {
        let name = table.name("name");
        let factory = table.number("factory", 0..=0xFF);
        let (Some(name), Some(factory)) = (name, factory) else {
            sound = false;
            continue;
        };
        if bytes.iter().any(|byte| byte.name == name.value) {
            table.wrong(name.at, format!("a configuration byte \"{}\" is there already", name.value));
            sound = false;
        }
        bytes.push(ConfigurationByte { name: name.value, factory: factory.value as u8, used: 0 });
    }
    if sound && bytes.is_empty() {
        file.wrong(file.at(), "the file lacks the list `configuration`");
    }
    (sound && !bytes.is_empty()).then_some(bytes)
}

fn fields_of_lock(file: &Table) -> Option<Vec<Field>> {
    fields(file, "lock_fields", &[])
}

/// The fields under a key; in the lock byte where `bytes` is empty.
fn fields(file: &Table, key: &'static str, bytes: &[&str]) -> Option<Vec<Field>> {
    let mut taken: Vec<Field> = Vec::new();
    let mut sound = true;
    for table in file.tables(key)? {
        let field = field(&table, key, bytes);
        match field {
            Some(field) => {
                sound &= is_new(&table, &field, &taken);
                taken.push(field);
            }
            None => sound = false,
        }
    }
    sound.then_some(taken)
}

/// Whether a field shares no name, symbol, role or bit with those before it.
fn is_new(table: &Table, field: &Field, before: &[Field]) -> bool {
    let mut new = true;
    for other in before {
        let shared = match other {
            _ if other.name == field.name => "has the same name",
            _ if other.symbol == field.symbol => "has the same symbol",
            _ if other.role.is_some() && other.role == field.role => "has the same role",
            _ if other.byte == field.byte && other.mask & field.mask != 0 => "has some of the same bits",
            _ => continue,
        };
        table.wrong(table.at(), format!("field \"{}\": field \"{}\" before it {shared}", field.name, other.name));
        new = false;
    }
    new
}

fn field(table: &Table, key: &str, bytes: &[&str]) -> Option<Field> {
    let name = table.name("name");
    let symbol = table.text("symbol");
    let words = table.text("words");
    let role = table.optional_choice("role", ROLES).map(|role| role.value);
    let byte = match key {
        "lock_fields" => Some(0),
        _ => {
            let known: Vec<(&str, usize)> = bytes.iter().copied().zip(0..).collect();
            table.choice("byte", &known).map(|byte| byte.value)
        }
    };
    let mask = bits(table);
    let incomplete = table.flag("incomplete", false);
    let values = values(table, mask, role);
    let (name, values) = (name?, values?);
    let field = Field {
        name: name.value,
        symbol: symbol?.value,
        words: words?.value,
        role,
        byte: byte?,
        mask: mask?,
        values: values.into_iter().map(|value| value.value).collect(),
        incomplete: incomplete?,
    };
    has_the_names_of_its_role(table, name.at, &field).then_some(field)
}

/// The mask that `bits = [highest, lowest]` gives.
fn bits(table: &Table) -> Option<u8> {
    let bits = table.numbers::<2>("bits", 0..=7)?;
    let [highest, lowest] = bits.value;
    if highest < lowest {
        table.wrong(bits.at, format!("`bits` must be [highest, lowest]; found [{highest}, {lowest}]"));
        return None;
    }
    Some((0xFF_u8 >> (7 - (highest - lowest))) << lowest)
}

/// The planner knows the values of these roles by name.
fn has_the_names_of_its_role(table: &Table, at: usize, field: &Field) -> bool {
    let wanted: &[&str] = match field.role {
        Some(Role::ClockDivider | Role::KeepEeprom | Role::OldPartMode) => &["on", "off"],
        Some(Role::CrystalSwing) => &["small", "full"],
        Some(Role::ResetStart) => &["loader", "application"],
        Some(Role::Watchdog) => &["always-on", "by-firmware"],
        _ => return true,
    };
    let right = wanted.iter().all(|name| field.values.iter().any(|value| value.name == *name)) && field.values.len() == wanted.len();
    if !right {
        let message = format!("field \"{}\" must have exactly the values {}, because of its role", field.name, wanted.join(" and "));
        table.wrong(at, message);
    }
    right
}

fn values(field: &Table, mask: Option<u8>, role: Option<Role>) -> Option<Vec<Placed<FieldValue>>> {
    let most = mask.map_or(0xFF, |mask| mask >> mask.trailing_zeros());
    let mut taken: Vec<Placed<FieldValue>> = Vec::new();
    let mut sound = true;
    if !field.has("values") {
        field.wrong(field.at(), "[[fields]] lacks the key `values`");
        return None;
    }
    for table in field.tables("values")? {
        let Some(value) = value(&table, most, role) else {
            sound = false;
            continue;
        };
        for other in &taken {
            if other.value.name == value.name || other.value.bits == value.bits {
                table.wrong(table.at(), format!("value \"{}\" has the name or the bits of \"{}\"", value.name, other.value.name));
                sound = false;
            }
        }
        taken.push(Placed { value, at: table.at() });
    }
    if sound && taken.is_empty() {
        field.wrong(field.at(), "`values` must not be empty");
    }
    (sound && !taken.is_empty()).then_some(taken)
}

fn value(table: &Table, most: u8, role: Option<Role>) -> Option<FieldValue> {
    let bits = table.number("bits", 0..=most.into());
    let name = table.name("name");
    let words = table.text("words");
    let clock = match role {
        Some(Role::Clock) => table.table("clock").map(|clock| clock_source(&clock).map(Some)),
        _ => Some(Some(None)),
    };
    let resets_below = table.has("resets_below_mv").then(|| table.number("resets_below_mv", 1..=10_000));
    let shuts = table.choices("shuts", WAYS);
    let locks_eeprom = match table.optional_table("locks_eeprom") {
        Some(table) => span(&table, None, "EEPROM").map(|span| Some(span.value)),
        None => Some(None),
    };
    let (rc, unknown) = (table.flag("rc", false), table.flag("unknown", false));
    let forbids = table.choices("forbids", &[("reading", true), ("writing", false)]);
    let forbids = forbids?;
    Some(FieldValue {
        bits: bits?.value as u8,
        name: name?.value,
        words: words?.value,
        clock: clock??,
        rc: rc?,
        unknown: unknown?,
        resets_below: match resets_below {
            Some(level) => Some(Millivolts(level?.value as u16)),
            None => None,
        },
        shuts: shuts?,
        locks_eeprom: locks_eeprom?,
        forbids_reading: forbids.contains(&true),
        forbids_writing: forbids.contains(&false),
    })
}

/// `{ source = "internal", hz }`, `{ source = "crystal", from_hz, to_hz }` or `{ source = "external" }`.
fn clock_source(table: &Table) -> Option<ClockSource> {
    let hertz = |key| Some(Hertz(table.number(key, 1..=FASTEST_CLOCK)?.value));
    let source = table.choice("source", &[("internal", 0), ("crystal", 1), ("external", 2)]);
    match source.map(|source| source.value) {
        None => {
            let _known = ["hz", "from_hz", "to_hz"].map(|key| table.has(key));
            None
        }
        Some(0) => Some(ClockSource::Internal { hz: hertz("hz")? }),
        Some(1) => {
            let (from_hz, to_hz) = (hertz("from_hz"), hertz("to_hz"));
            let (from_hz, to_hz) = (from_hz?, to_hz?);
            if from_hz > to_hz {
                table.wrong(table.at(), format!("`from_hz` must not be above `to_hz`; found {from_hz} and {to_hz}"));
                return None;
            }
            Some(ClockSource::Crystal { from_hz, to_hz })
        }
        Some(_) => Some(ClockSource::External),
    }
}

/// `[own_clock]`, of a chip of which no fuse chooses what runs it.
fn own_clock(file: &Table, fields: Option<&[Field]>) -> Option<Option<Hertz>> {
    let chosen = fields.map(|fields| fields.iter().any(|field| field.role == Some(Role::Clock)));
    let Some(table) = file.optional_table("own_clock") else {
        if chosen == Some(false) {
            file.wrong(file.at(), "the file needs a field whose role is clock, or [own_clock] where no fuse chooses the clock");
            return None;
        }
        return Some(None);
    };
    let hz = table.number("hz", 1..=FASTEST_CLOCK)?;
    if chosen == Some(true) {
        table.wrong(table.at(), "[own_clock] is for a chip without a field whose role is clock, and there is one");
        return None;
    }
    Some(Some(Hertz(hz.value)))
}

fn boot_sections(file: &Table, fields: Option<&[Field]>, flash_bytes: Option<u32>) -> Option<Vec<BootSection>> {
    let field = fields.and_then(|fields| fields.iter().find(|field| field.role == Some(Role::BootSection)));
    let mut taken: Vec<BootSection> = Vec::new();
    let mut sound = true;
    for table in file.tables("boot_sections")? {
        let bits = match table.has("bits") {
            true => table.number("bits", 0..=0xFF).map(|bits| bits.map(|bits| Some(bits as u8))),
            false => Some(Placed { value: None, at: table.at() }),
        };
        let span = span(&table, flash_bytes, "flash");
        let (Some(bits), Some(span)) = (bits, span) else {
            sound = false;
            continue;
        };
        let fits = match field {
            Some(field) => field.values.iter().any(|value| Some(value.bits) == bits.value),
            None => bits.value.is_none(),
        };
        if fields.is_some() && !fits {
            let rule = match field {
                Some(_) => "`bits` must be those of a value of the field whose role is boot-section",
                None => "`bits` must be left out, because no field has the role boot-section",
            };
            table.wrong(bits.at, rule);
            sound = false;
        }
        if taken.iter().any(|other| other.bits == bits.value) {
            table.wrong(bits.at, "a boot section with these bits is there already");
            sound = false;
        }
        if flash_bytes.is_some_and(|bytes| span.value.end().0 != bytes) {
            table.wrong(span.at, "a boot section must end where the flash ends");
            sound = false;
        }
        taken.push(BootSection { bits: bits.value, span: span.value });
    }
    if sound && field.is_some_and(|field| field.values.len() != taken.len()) {
        file.wrong(file.at(), "every value of the field whose role is boot-section needs its [[boot_sections]]");
        sound = false;
    }
    sound.then_some(taken)
}

/// The span that `start` and `size` give, inside a memory of `bytes` bytes; placed where `start` stands.
pub(super) fn span(table: &Table, bytes: Option<u32>, memory: &str) -> Option<Placed<Span>> {
    let bytes = bytes.unwrap_or(LARGEST_MEMORY);
    let start = table.number("start", 0..=bytes - 1);
    let size = table.number("size", 1..=bytes);
    let (start, size) = (start?, size?);
    if size.value > bytes - start.value {
        let room = bytes - start.value;
        table.wrong(size.at, format!("`size` must be from 1 to {room}, where the {memory} ends; found {}", size.value));
        return None;
    }
    Some(start.map(|start| Span::sized(ByteAddress(start), size.value))).and_then(|placed| {
        let at = placed.at;
        Some(Placed { value: placed.value?, at })
    })
}

/// A choice whose first word is meant where the key is missing; `None` only where it is there and wrong.
fn optional_choice<T: Clone + Default>(table: &Table, key: &'static str, allowed: &[(&str, T)]) -> Option<T> {
    match table.has(key) {
        true => Some(table.choice(key, allowed)?.value),
        false => Some(T::default()),
    }
}

fn ways_in(file: &Table) -> Option<Vec<WayIn>> {
    let mut ways: Vec<WayIn> = Vec::new();
    let mut sound = true;
    for table in file.tables("ways_in")? {
        let way = table.choice("way", WAYS);
        let reads = table.choices("reads", MEMORIES);
        let flash_erase = table.choice("flash_erase", ERASE_UNITS);
        let eeprom_writes_erase = table.flag("eeprom_writes_erase", false);
        let ready = optional_choice(&table, "ready", READY);
        let eeprom_writes = optional_choice(&table, "eeprom_writes", EEPROM_WRITES);
        let chip_erase_takes = table.choices("chip_erase_takes", MEMORIES);
        let pins = table.table("pins").and_then(|pins| pins.pairs());
        let read = || {
            let way = way?;
            if ways.iter().any(|other| other.way == way.value) {
                let names = one_of(WAYS.iter().map(|(name, _)| *name));
                table.wrong(way.at, format!("this way in is there already; a chip has each of {names} at most once"));
                return None;
            }
            if (ready, eeprom_writes) == (Some(Ready::DataPolling), Some(EepromWrites::Pages)) {
                let message =
                    "a chip that is asked by data polling has no page instructions for its EEPROM: give `eeprom_writes = \"bytes\"`";
                table.wrong(table.at(), message);
                return None;
            }
            Some(WayIn {
                way: way.value,
                reads: reads?,
                flash_erase: flash_erase?.value,
                eeprom_writes_erase: eeprom_writes_erase?,
                ready: ready?,
                eeprom_writes: eeprom_writes?,
                chip_erase_takes: chip_erase_takes?,
                pins: pins?.into_iter().map(|(signal, pin)| (signal.value, pin.value)).collect(),
            })
        };
        match read() {
            Some(way) => ways.push(way),
            None => sound = false,
        }
    }
    if sound && ways.is_empty() {
        file.wrong(file.at(), "the file lacks the list `ways_in`");
    }
    (sound && !ways.is_empty()).then_some(ways)
}
