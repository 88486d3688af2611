//! What `farrier bridges` prints.

use super::{Found, Port, State};
use crate::cli::output;
use crate::cli::place::{Place, SPEEDS};
use crate::frame::{Hello, VERSION};
use crate::link::{PRODUCT, VENDOR};
use serde_json::{Value, json};

/// Prints the list, a line or two each.
pub fn print(found: &Found) {
    if found.ports.is_empty() {
        output::say("No serial port and no USB device that could be a bridge is plugged in.");
    } else {
        let width = found.ports.iter().map(|port| port.place.to_string().chars().count()).max().unwrap_or(0).max("Through".len());
        output::line(row(width, "Through", "USB id", "Serial number", "Product"));
        for port in &found.ports {
            let ids = port.ids.map_or("-".into(), |(vendor, product)| format!("{vendor:04X}:{product:04X}"));
            let text = |text: &Option<String>| text.as_deref().map_or("-".into(), printable);
            output::line(row(width, &port.place.to_string(), &ids, &text(&port.serial_number), &text(&port.product_text)));
            for paragraph in words(port) {
                output::say_under("    ", paragraph);
            }
            if let State::Bridge(..) | State::Lines(_) = port.state {
                output::line(format!("    --via {}", port.place));
            }
        }
    }
    if let Some(why) = &found.usb_failed {
        output::gap();
        output::say(why.lines().collect::<Vec<_>>().join(" "));
    }
    output::gap();
    output::say(
        "Simulated bridges: `farrier sim list`. Bridges at other machines are not looked for: tcp://HOST:PORT, rfc2217://HOST:PORT.",
    );
    output::next(next(found));
}

fn row(width: usize, place: &str, ids: &str, serial_number: &str, product: &str) -> String {
    format!("{place:width$}  {ids:9}  {serial_number:16}  {product}").trim_end().to_owned()
}

/// A device may call itself anything; what a terminal would act on is left out.
fn printable(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(60).collect()
}

/// What is known of a port, a paragraph each.
fn words(port: &Port) -> Vec<String> {
    match &port.state {
        State::NotAsked if port.ours => {
            vec![format!("A Farrier bridge, by its ids. `farrier bridges --ask` asks it for its version and abilities.")]
        }
        State::NotAsked if matches!(port.place, Place::Gpio(_)) => vec![format!("GPIO lines of this computer: --via {}", port.place)],
        State::NotAsked => vec![format!("Not asked, because opening a port resets some boards: farrier bridges --ask {}", port.place)],
        State::NotAllowed(remedy) => {
            let mut words = vec!["This user may not open it.".to_owned()];
            words.extend(remedy.lines().map(str::to_owned));
            words
        }
        State::InUse(holder) => vec![format!("In use by another run of this program: {holder}. Wait until that one ends.")],
        State::Bridge(hello, baud) => vec![about(hello, *baud)],
        State::Lines(abilities) => {
            let (slowest, fastest, level) = (abilities.spi_clock_min, abilities.spi_clock_max, abilities.pin_level);
            vec![format!("GPIO lines of this computer, free to use: SPI clock {slowest} to {fastest}, pins at {level}.")]
        }
        State::Failed(stop) => stop.message().lines().map(str::to_owned).collect(),
    }
}

/// What a bridge said of itself.
fn about(hello: &Hello, baud: Option<u32>) -> String {
    let abilities = &hello.abilities;
    let speed = baud.map(|baud| format!(", {baud} baud")).unwrap_or_default();
    let can = [
        (abilities.measures_supply, "measures the supply"),
        (abilities.clock_output, "has a clock output"),
        (abilities.switches_power, "switches the board's power"),
    ];
    let can: Vec<&str> = can.iter().filter(|(has, _)| *has).map(|(_, words)| *words).collect();
    let can = if can.is_empty() { "no further abilities".to_owned() } else { can.join(", ") };
    let what = if abilities.simulated { "SIMULATED bridge" } else { "Farrier bridge" };
    format!(
        "{what} \"{}\": protocol version {VERSION}{speed}, pins at {}, SPI clock {} to {}, {can}, window {}, blocks of {} bytes.",
        printable(&abilities.name),
        abilities.pin_level,
        abilities.spi_clock_min,
        abilities.spi_clock_max,
        hello.window,
        abilities.block_bytes,
    )
}

fn next(found: &Found) -> String {
    let answered = found.ports.iter().find(|port| matches!(port.state, State::Bridge(..) | State::Lines(_)));
    // A port without ids is seldom a bridge: it is part of most computers.
    let may_be = |port: &&super::Port| matches!(port.place, Place::Serial { .. }) && port.ids.is_some();
    let asked = found.ports.iter().filter(may_be).find(|port| matches!(port.state, State::NotAsked));
    match (answered, found.sure().first(), asked) {
        (Some(port), ..) => format!("farrier inspect --board NAME --via {}", port.place),
        (None, Some(place), _) => format!("farrier inspect --board NAME --via {place}"),
        (None, None, Some(port)) => format!("farrier bridges --ask {}", port.place),
        (None, None, None) => "farrier inspect --via sim:vent".into(),
    }
}

/// The list for programs.
///
/// `bridges`: for each `via`; `vendor_id`, `product_id`, `serial_number`, `product` (null where there is none); `ours` (it has the
/// ids of our firmware); `state`: `not-asked`, `not-allowed`, `in-use`, `bridge`, `lines` (GPIO lines that are free) or `failed`;
/// `why` (of `not-allowed`, `in-use` and `failed`);
/// `hello` (null unless it answered): `name`, `protocol`, `baud`, `pin_level_mv`, `spi_clock_min_hz`, `spi_clock_max_hz`,
/// `measures_supply`, `clock_output`, `switches_power`, `simulated`, `window`, `block_bytes`. `usb_error`: null, or why USB devices
/// are not listed. `firmware_ids`: what makes `ours`; `speeds_tried`.
pub fn as_json(found: &Found) -> Value {
    let one = |port: &Port| {
        let (state, why) = match &port.state {
            State::NotAsked => ("not-asked", None),
            State::NotAllowed(remedy) => ("not-allowed", Some(remedy.clone())),
            State::InUse(holder) => ("in-use", Some(holder.clone())),
            State::Bridge(..) => ("bridge", None),
            State::Lines(_) => ("lines", None),
            State::Failed(stop) => ("failed", Some(stop.message().to_owned())),
        };
        let hello = match &port.state {
            State::Bridge(hello, baud) => hello_json(hello, *baud),
            _ => Value::Null,
        };
        json!({
            "via": port.place.to_string(), "vendor_id": port.ids.map(|ids| ids.0), "product_id": port.ids.map(|ids| ids.1),
            "serial_number": port.serial_number, "product": port.product_text, "ours": port.ours, "state": state, "why": why,
            "hello": hello,
        })
    };
    json!({
        "bridges": found.ports.iter().map(one).collect::<Vec<_>>(), "usb_error": found.usb_failed,
        "firmware_ids": [VENDOR, PRODUCT], "speeds_tried": SPEEDS,
    })
}

fn hello_json(hello: &Hello, baud: Option<u32>) -> Value {
    let abilities = &hello.abilities;
    json!({
        "name": abilities.name, "protocol": VERSION, "baud": baud, "pin_level_mv": abilities.pin_level.0,
        "spi_clock_min_hz": abilities.spi_clock_min.0, "spi_clock_max_hz": abilities.spi_clock_max.0,
        "measures_supply": abilities.measures_supply, "clock_output": abilities.clock_output,
        "switches_power": abilities.switches_power, "simulated": abilities.simulated, "window": hello.window,
        "block_bytes": abilities.block_bytes,
    })
}
