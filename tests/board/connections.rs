//! What goes where between every bridge and every board.

use farrier::board::{
    Between, Board, BoardEnd, BridgeKind, Catalog, Chip, Connections, Divider, LevelFit, PoweredBy, Purpose, bridge_kind, bridge_kinds,
    read_bridge,
};
use farrier::cli::connections::{Drawn, buy_first, page, page_json, picture};
use farrier::cli::map::Ink;
use farrier::plan::levels_differ;
use farrier::units::Millivolts;
use std::collections::BTreeSet;

const BOTH: [PoweredBy; 2] = [PoweredBy::Board, PoweredBy::Bridge];
/// What every board needs to be programmed, by the names of the board files.
const NEEDED: [&str; 5] = ["SCK", "MOSI", "MISO", "RESET", "GND"];

/// Every board of the catalog, and one at 1.8 V whose inputs bear 5 V.
fn boards() -> Vec<(Board, Chip)> {
    let mut all: Vec<(Board, Chip)> = Catalog::built_in().boards().into_iter().map(|listed| listed.described.unwrap()).collect();
    let (mut low, chip) = all[0].clone();
    low.name = "low".into();
    (low.supply, low.levels, low.bears_5v) = ((Millivolts(1_700), Millivolts(1_900)), Millivolts(1_800), true);
    all.push((low, chip));
    all
}

/// Every pair of bridge and board, each way of feeding it that there is.
fn pairs(mut check: impl FnMut(&BridgeKind, &Board, &Chip, &Connections)) {
    let mut count = 0;
    for (board, chip) in boards() {
        for bridge in bridge_kinds().unwrap() {
            for powered_by in BOTH {
                let board = board.drawn_with(&bridge, powered_by);
                if let Ok(connections) = Connections::between(&bridge, &board, powered_by) {
                    check(&bridge, &board, &chip, &connections);
                    count += 1;
                }
            }
        }
    }
    assert!(count >= 8 * 3, "{count} pairs");
}

#[test]
fn every_signal_has_one_wire_and_no_pin_two() {
    pairs(|bridge, board, _, connections| {
        let name = format!("{} and {}", bridge.kind, board.name);
        let signal = |end: BoardEnd| match end {
            BoardEnd::Header(place) => board.header.pins[place].0.as_str(),
            BoardEnd::ClockPin => "the clock pin",
        };
        for needed in NEEDED {
            let wires: Vec<_> = connections.wires.iter().filter(|wire| wire.purpose.name() == needed).collect();
            assert_eq!(wires.len(), 1, "{name}: {needed}");
            assert_eq!(signal(wires[0].board), needed, "{name}");
        }
        let bridge_pins: BTreeSet<&str> = connections.wires.iter().map(|wire| wire.bridge.name.as_str()).collect();
        assert_eq!(bridge_pins.len(), connections.wires.len(), "{name}: a pin of the bridge twice");
        let mut places: Vec<usize> = connections.open.iter().map(|(place, _)| *place).collect();
        for wire in
            connections.wires.iter().filter(|wire| wire.purpose != Purpose::Measurement || connections.wire(Purpose::Supply).is_none())
        {
            if let BoardEnd::Header(place) = wire.board {
                places.push(place);
            }
        }
        places.sort_unstable();
        assert_eq!(
            places,
            (0..board.header.pins.len()).collect::<Vec<_>>(),
            "{name}: every pin of the header once, joined or said to be open"
        );
        for wire in connections.wires.iter().filter(|wire| [Purpose::Supply, Purpose::Measurement].contains(&wire.purpose)) {
            assert_eq!(signal(wire.board), "VCC", "{name}");
        }
        assert_eq!(connections.wire(Purpose::Clock).is_some(), board.clock_pin_wired && bridge.clock_output.is_some(), "{name}");
    });
}

#[test]
fn the_bridges_pins_are_those_of_its_file() {
    // As they were agreed with the firmware: SCK, MISO, MOSI, RESET, clock output, supply measurement.
    for (kind, pins) in
        [("atmega328p", ["PB5", "PB4", "PB3", "PB0", "PB1", "PC0"]), ("rp2040", ["GP18", "GP16", "GP19", "GP17", "GP21", "GP26"])]
    {
        let bridge = bridge_kind(kind).unwrap();
        let (board, _) = Catalog::built_in().board("vent").unwrap();
        let connections = Connections::between(&bridge, &board, PoweredBy::Board).unwrap();
        let purposes = [Purpose::Sck, Purpose::Miso, Purpose::Mosi, Purpose::Reset, Purpose::Clock, Purpose::Measurement];
        let found: Vec<&str> = purposes.iter().map(|purpose| connections.wire(*purpose).unwrap().bridge.name.as_str()).collect();
        assert_eq!(found, pins, "{kind}");
    }
}

#[test]
fn parts_stand_in_the_lines_exactly_where_the_plan_refuses_the_levels() {
    let mut shifted = 0;
    pairs(|bridge, board, _, connections| {
        let name = format!("{} and {}", bridge.kind, board.name);
        let refused = levels_differ(bridge.level, None, board).is_some();
        for purpose in [Purpose::Sck, Purpose::Mosi, Purpose::Reset] {
            let between = &connections.wire(purpose).unwrap().between;
            assert_eq!(*between != Between::Nothing, refused, "{name}: {purpose:?}");
        }
        assert_eq!(!connections.fit.fits(), refused, "{name}");
        let mut fitted = board.clone();
        fitted.levels_shifted = true;
        assert_eq!(levels_differ(bridge.level, None, &fitted), None, "{name}: with the parts nothing is refused");
        shifted += u32::from(refused);
    });
    assert!(shifted >= 10, "{shifted} pairs that need parts");
}

#[test]
fn nobodys_input_gets_more_than_it_bears_or_less_than_it_reads() {
    pairs(|bridge, board, _, connections| {
        let name = format!("{} and {}", bridge.kind, board.name);
        let (pins, own) = (f64::from(bridge.level.0), f64::from(board.levels.0));
        for wire in &connections.wires {
            let (from, to) = match wire.purpose {
                Purpose::Miso => (own, pins),
                Purpose::Measurement => (f64::from(board.supply.1.0.min(5_500)), pins.max(3_300.0) * 1.1),
                Purpose::Sck | Purpose::Mosi | Purpose::Clock => (pins, if board.bears_5v { 5_500.0 } else { own }),
                _ => continue,
            };
            let arrives = match &wire.between {
                Between::Divider { series, to_ground } => from * f64::from(to_ground.ohms.0) / f64::from(series.ohms.0 + to_ground.ohms.0),
                Between::Nothing | Between::Series(_) => from,
                _ => continue,
            };
            assert!(arrives <= to * 1.1, "{name}: {:?} brings {arrives} mV to a pin of {to} mV", wire.purpose);
            if wire.purpose == Purpose::Miso {
                assert!(arrives >= f64::from(bridge.reads_high_from.0), "{name}: MISO of {arrives} mV is not read as high");
            }
        }
        let reset = &connections.wire(Purpose::Reset).unwrap().between;
        assert!(!matches!(reset, Between::Divider { .. }), "{name}: a resistor to ground would hold the chip in reset");
    });
}

#[test]
fn a_board_is_never_fed_twice() {
    pairs(|bridge, board, _, connections| {
        let name = format!("{} and {}", bridge.kind, board.name);
        let feeding: Vec<_> = connections
            .wires
            .iter()
            .filter_map(|wire| bridge.supplies.iter().find(|supply| supply.pin == wire.bridge))
            .map(|supply| supply.voltage)
            .collect();
        match connections.powered_by {
            PoweredBy::Board => assert!(feeding.is_empty(), "{name}"),
            PoweredBy::Bridge => {
                assert_eq!(feeding.len(), 1, "{name}");
                assert!(board.supply.0 <= feeding[0] && feeding[0] <= board.supply.1, "{name}: {} for the board", feeding[0]);
            }
        }
    });
    let (low, _) = boards().pop().unwrap();
    for bridge in bridge_kinds().unwrap() {
        let none = Connections::between(&bridge, &low, PoweredBy::Bridge).unwrap_err();
        assert_eq!(none.nearest.unwrap().voltage, Millivolts(3_300), "{}", bridge.kind);
    }
}

#[test]
fn dividers_are_of_common_resistors_and_come_near_from_below() {
    // 5.0 V x 3.3 / (1.8 + 3.3) = 3.235 V.
    let common = Divider::least_off(Millivolts(5_000), Millivolts(3_300));
    assert_eq!((common.series.0, common.to_ground.0, common.gives), (1_800, 3_300, Millivolts(3_235)));
    for from in (1_100..=6_000).step_by(100) {
        for to in (1_100..from).step_by(100) {
            let divider = Divider::least_off(Millivolts(from), Millivolts(to));
            let gives = u32::from(from) * divider.to_ground.0 / (divider.series.0 + divider.to_ground.0);
            assert_eq!(gives, u32::from(divider.gives.0));
            assert!(gives <= u32::from(to), "{from} to {to}: {divider:?}");
        }
    }
}

#[test]
fn each_way_that_levels_differ_has_its_parts() {
    let catalog = Catalog::built_in();
    let parts = |bridge: &str, board: &str| {
        let (board, _) = catalog.board(board).unwrap();
        let connections = Connections::between(&bridge_kind(bridge).unwrap(), &board, PoweredBy::Board).unwrap();
        let letters: String = connections.parts.iter().filter_map(|part| part.name.chars().next()).collect();
        let mut letters: Vec<char> = letters.chars().collect();
        letters.sort_unstable();
        (connections.fit, letters.into_iter().collect::<String>())
    };
    // The one R is that of the measuring pin.
    assert_eq!(parts("atmega328p", "vent"), (LevelFit::Near, "R".into()));
    assert_eq!(parts("gpio", "frost"), (LevelFit::Near, String::new()));
    // Dividers for SCK and MOSI, a transistor for RESET, MISO straight, and the measuring pin's R.
    assert_eq!(parts("atmega328p", "frost"), (LevelFit::TooHigh, "QRRRRR".into()));
    // One buffer for SCK, MOSI and CLOCK with its pull-up and SCK's pull-down; a transistor; a divider for MISO, one to measure with.
    assert_eq!(parts("rp2040", "pump"), (LevelFit::TooLow, "QRRRRRRU".into()));
    assert_eq!(parts("gpio", "vent"), (LevelFit::TooLow, "QRRRRU".into()));
}

#[test]
fn pages_name_every_wire_part_and_caution_within_100_columns() {
    let kinds = bridge_kinds().unwrap();
    pairs(|bridge, board, chip, connections| {
        let drawn = Drawn { bridge, board, chip, connections };
        for ink in [Ink::Blocks, Ink::Ascii] {
            let text = page(&drawn, &kinds, true, None, ink);
            assert!(text.lines().all(|line| line.chars().count() <= 100 && line == line.trim_end()), "{text}");
            assert!(ink == Ink::Blocks || text.is_ascii(), "{text}");
            let flowing = text.split_whitespace().collect::<Vec<_>>().join(" ");
            for part in &connections.parts {
                assert!(flowing.contains(&format!("{} {}: {}", part.name, part.what, part.why)), "{}: {text}", part.name);
            }
            for caution in &board.cautions {
                assert!(flowing.contains(&caution.text), "{text}");
            }
            assert!(flowing.contains("Never feed a board from two supplies."), "{text}");
            assert!(text.lines().last().unwrap().starts_with("Next: farrier "), "{text}");
        }
    });
}

/// In the picture each wire runs from its pin of the bridge to its pin of the header, on one line.
#[test]
fn the_picture_joins_the_pins_of_the_table() {
    pairs(|bridge, board, chip, connections| {
        let lines = picture(&Drawn { bridge, board, chip, connections }, Ink::Blocks);
        let mut joined = BTreeSet::new();
        for line in lines.iter().filter(|line| line.contains('├')) {
            let (left, rest) = line.split_once('├').unwrap();
            let from = left.trim_matches(['│', ' ']).split(" (").next().unwrap().to_owned();
            let to = rest.rsplit_once('┤').map(|(_, right)| right.trim_matches(['│', ' ']).split_whitespace().next().unwrap().to_owned());
            joined.insert((from, to));
        }
        let expected = connections.wires.iter().map(|wire| {
            let joins = wire.purpose == Purpose::Measurement && connections.wire(Purpose::Supply).is_some();
            let end = match wire.board {
                BoardEnd::Header(place) if !joins => match board.header.shape() {
                    Some(_) => Some((place + 1).to_string()),
                    None => Some(board.header.pins[place].0.clone()),
                },
                _ => None,
            };
            (wire.bridge.name.clone(), end)
        });
        let named = |(from, to): (String, Option<String>)| (from, to);
        assert_eq!(joined, expected.map(named).collect(), "\n{}", lines.join("\n"));
    });
}

#[test]
fn what_to_buy_first_follows_the_boards_level() {
    let kinds = bridge_kinds().unwrap();
    let first = |board: &str| buy_first(&kinds, Some(&Catalog::built_in().board(board).unwrap().0));
    assert!(first("vent").contains("first for this board: atmega328p"), "{}", first("vent"));
    assert!(first("frost").contains("first for this board: rp2040"), "{}", first("frost"));
    let any = buy_first(&kinds, None);
    assert!(any.contains("for boards at 3.3 V: rp2040") && any.contains("for boards at 5.0 V: atmega328p"), "{any}");
}

#[test]
fn json_has_the_documented_keys() {
    let source = include_str!("../../src/cli/connections/table.rs");
    let before = source.split("pub fn page_json(").next().unwrap();
    let comment: Vec<&str> = before.lines().rev().take_while(|line| line.starts_with("///")).collect();
    let described: BTreeSet<&str> = comment.iter().flat_map(|line| line.split('`').skip(1).step_by(2)).collect();
    pairs(|bridge, board, chip, connections| {
        let json = page_json(&Drawn { bridge, board, chip, connections });
        let mut tables = vec![&json, &json["bridge"], &json["board"]];
        tables.extend(["wires", "open", "parts"].iter().flat_map(|list| json[*list].as_array().unwrap()));
        for key in tables.iter().flat_map(|table| table.as_object().unwrap().keys()) {
            assert!(described.contains(key.as_str()), "{key} is not described");
        }
        assert_eq!(json["wires"].as_array().unwrap().len(), connections.wires.len());
    });
}

const KIND: &str = include_str!("../../boards/bridges/atmega328p.toml");

#[test]
fn a_mistake_in_a_bridge_file_is_told_with_its_place() {
    let told = |from: &str, to: &str| {
        assert!(KIND.contains(from), "{from}");
        let mistakes = read_bridge(&KIND.replacen(from, to, 1)).unwrap_err();
        mistakes.iter().map(|mistake| mistake.message.clone()).collect::<Vec<_>>().join("\n")
    };
    assert!(read_bridge(KIND).is_ok());
    assert!(told("speed =", "spede =").contains("the file has no key `spede`; allowed: "));
    assert!(told("order = 2", "order = 0").contains("`order` must be from 1 to 100; found 0"));
    assert!(told("reads_high_from_mv = 3_000", "reads_high_from_mv = 5_000").contains("`reads_high_from_mv` must be below `signal_mv`"));
    assert!(told("pin = \"PB4\"", "pin = \"PB5\"").contains("every signal must have a pin of its own; PB5 has two"));
    assert!(told("way = \"programming-header\"", "way = \"post\"").contains("`way` must be usb-drive, programming-header or none"));
}

#[test]
fn the_page_about_the_language_names_every_key_of_a_bridge_file() {
    let page = include_str!("../../boards/README.md");
    let spoiled: String =
        KIND.lines().map(|line| if line.starts_with('[') { format!("{line}\nx = 1\n") } else { format!("{line}\n") }).collect();
    let mistakes = read_bridge(&format!("x = 1\n{spoiled}")).unwrap_err();
    let lists = mistakes.iter().filter_map(|mistake| mistake.message.split_once("allowed: "));
    let keys: BTreeSet<String> =
        lists.flat_map(|(_, list)| list.replace(" or ", ", ").split(", ").map(str::to_string).collect::<Vec<_>>()).collect();
    assert!(keys.len() > 30, "{keys:?}");
    for key in keys {
        let forms = [format!("`{key}`"), format!("[{key}]")];
        assert!(forms.iter().any(|form| page.contains(form)), "{key}");
    }
}
