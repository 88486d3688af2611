//! Reads the description of a bridge kind.

use super::bridge_kind::{BridgeImage, BridgeKind, BridgePin, BridgePins, BridgeSupply, Buy, FirmwareWay, Measurement, ResetHold};
use crate::reader::{Mistake, Table, read};
use crate::units::{Millivolts, Ohms};

/// Levels and supplies of a bridge, in millivolts.
const VOLTAGE: std::ops::RangeInclusive<u32> = 1_000..=6_000;
const RESISTANCE: std::ops::RangeInclusive<u32> = 1..=1_000_000;
const FIRMWARE: &[(&str, FirmwareWay)] =
    &[("usb-drive", FirmwareWay::UsbDrive), ("programming-header", FirmwareWay::ProgrammingHeader), ("none", FirmwareWay::None)];

/// Reads the description of a bridge kind; every mistake in it at once.
pub fn read_bridge(text: &str) -> Result<BridgeKind, Vec<Mistake>> {
    read(text, build)
}

fn build(file: &Table) -> Option<BridgeKind> {
    let kind = file.name("kind");
    let (summary, part) = (file.text("summary"), file.text("part"));
    let (speed, own_supply) = (file.text("speed"), file.text("own_supply"));
    let buy = file.table("buy").and_then(|table| buy(&table));
    let levels = file.table("levels").and_then(|table| levels(&table));
    let pins = file.table("pins").and_then(|table| pins(&table));
    let clock_output = optional(file.optional_table("clock_output"), pin);
    let measurement = optional(file.optional_table("supply_measurement"), measurement);
    let reset_hold = optional(file.optional_table("reset_hold"), reset_hold);
    let supplies = each(file.tables("supplies"), supply);
    let left_open = each(file.tables("left_open"), |table| {
        let (pin, why) = (pin(table), table.text("why"));
        Some((pin?, why?.value))
    });
    let firmware = file.table("firmware").and_then(|table| {
        let (way, words) = (table.choice("way", FIRMWARE), table.text("words"));
        let drive_id = if table.has("drive_id") { Some(table.text("drive_id")?.value) } else { None };
        Some((way?.value, words?.value, drive_id))
    });
    let images = each(file.tables("images"), |table| {
        let (file, words) = (table.text("file"), table.text("words"));
        Some(BridgeImage { file: file?.value, words: words?.value })
    });
    let cautions = file.texts("cautions");

    let (level, reads_high_from) = levels?;
    let (firmware, firmware_words, drive_id) = firmware?;
    Some(BridgeKind {
        kind: kind?.value,
        summary: summary?.value,
        part: part?.value,
        speed: speed?.value,
        buy: buy?,
        level,
        reads_high_from,
        pins: pins?,
        clock_output: clock_output?,
        measurement: measurement?,
        supplies: supplies?,
        own_supply: own_supply?.value,
        reset_hold: reset_hold?,
        left_open: left_open?,
        firmware,
        firmware_words,
        drive_id,
        images: images?,
        cautions: cautions?.into_iter().map(|text| text.value).collect(),
    })
}

/// What a table gives that may be missing: `None` only where it is there and wrong.
fn optional<T>(table: Option<Table>, read: impl FnOnce(&Table) -> Option<T>) -> Option<Option<T>> {
    match table {
        None => Some(None),
        Some(table) => read(&table).map(Some),
    }
}

fn each<T>(tables: Option<Vec<Table>>, read: impl Fn(&Table) -> Option<T>) -> Option<Vec<T>> {
    let read: Vec<Option<T>> = tables?.iter().map(read).collect();
    read.into_iter().collect()
}

fn pin(table: &Table) -> Option<BridgePin> {
    table.text("pin").map(|name| BridgePin { name: name.value })
}

fn pins(table: &Table) -> Option<BridgePins> {
    let one = |key| table.table(key).and_then(|table| pin(&table));
    let (sck, mosi, miso, reset, ground) = (one("SCK"), one("MOSI"), one("MISO"), one("RESET"), one("GND"));
    let pins = BridgePins { sck: sck?, mosi: mosi?, miso: miso?, reset: reset?, ground: ground? };
    let names = [&pins.sck.name, &pins.mosi.name, &pins.miso.name, &pins.reset.name, &pins.ground.name];
    if let Some(twice) = names.iter().enumerate().find(|(n, name)| names[..*n].contains(name)) {
        table.wrong(table.at(), format!("every signal must have a pin of its own; {} has two", twice.1));
        return None;
    }
    Some(pins)
}

fn buy(table: &Table) -> Option<Buy> {
    let order = table.number("order", 1..=100);
    let (price, why) = (table.text("price"), table.text("why"));
    Some(Buy { order: order?.value, price: price?.value, why: why?.value })
}

fn levels(table: &Table) -> Option<(Millivolts, Millivolts)> {
    let signal = table.number("signal_mv", VOLTAGE);
    let high = table.number("reads_high_from_mv", VOLTAGE);
    let (signal, high) = (signal?, high?);
    if high.value >= signal.value {
        let message = format!("`reads_high_from_mv` must be below `signal_mv`; found {} and {}", high.value, signal.value);
        table.wrong(high.at, message);
        return None;
    }
    Some((Millivolts(signal.value as u16), Millivolts(high.value as u16)))
}

fn measurement(table: &Table) -> Option<Measurement> {
    let pin = pin(table);
    let series = table.number("series_ohm", RESISTANCE);
    let to_ground = table.has("to_ground_ohm").then(|| table.number("to_ground_ohm", RESISTANCE));
    let to_ground = match to_ground {
        None => None,
        Some(number) => Some(Ohms(number?.value)),
    };
    Some(Measurement { pin: pin?, series: Ohms(series?.value), to_ground })
}

fn supply(table: &Table) -> Option<BridgeSupply> {
    let pin = pin(table);
    let (voltage, words) = (table.number("mv", VOLTAGE), table.text("words"));
    Some(BridgeSupply { pin: pin?, voltage: Millivolts(voltage?.value as u16), words: words?.value })
}

fn reset_hold(table: &Table) -> Option<ResetHold> {
    let ohms = table.number("ohm", RESISTANCE);
    let (from, to, words) = (table.text("from"), table.text("to"), table.text("words"));
    Some(ResetHold { ohms: Ohms(ohms?.value), from: from?.value, to: to?.value, words: words?.value })
}
