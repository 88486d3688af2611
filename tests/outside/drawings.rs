//! The drawings of `connections`, read back by Python's XML parser from their coordinates alone.

use super::{python, run};
use farrier::board::{BoardEnd, Catalog, Connections, PoweredBy, bridge_kinds};
use farrier::cli::connections::{Drawn, svg};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

/// Pins that belong together: the kind of pin, and its name.
type Net = BTreeSet<(String, String)>;

/// What the connections join: all pins of the bridge that go to one pin of the board are one net.
fn expected(drawn: &Drawn) -> BTreeSet<Net> {
    let mut nets: BTreeMap<String, Net> = BTreeMap::new();
    for place in 0..drawn.board.header.pins.len() {
        let pin = (place + 1).to_string();
        nets.entry(pin.clone()).or_default().insert(("board-pin".into(), pin));
    }
    for wire in &drawn.connections.wires {
        let pin = match wire.board {
            BoardEnd::Header(place) => (place + 1).to_string(),
            BoardEnd::ClockPin => "clock".into(),
        };
        let net = nets.entry(pin.clone()).or_default();
        net.extend([("board-pin".into(), pin), ("bridge-pin".into(), wire.bridge.name.clone())]);
    }
    nets.into_values().collect()
}

fn found(nets: &Value) -> BTreeSet<Net> {
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    let net = |net: &Value| net.as_array().unwrap().iter().map(|pin| (text(&pin[0]), text(&pin[1]))).collect();
    nets.as_array().unwrap().iter().map(net).collect()
}

#[test]
fn every_drawing_is_xml_whose_wires_join_the_pins_of_the_table() {
    let folder = tempfile::tempdir().unwrap();
    let mut files = Vec::new();
    let mut wanted = Vec::new();
    for listed in Catalog::built_in().boards() {
        let (board, chip) = listed.described.unwrap();
        for bridge in bridge_kinds().unwrap() {
            for powered_by in [PoweredBy::Board, PoweredBy::Bridge] {
                let connections = Connections::between(&bridge, &board, powered_by).unwrap();
                let drawn = Drawn { bridge: &bridge, board: &board, chip: &chip, connections: &connections };
                let file = folder.path().join(format!("{}-{}-{powered_by:?}.svg", board.name, bridge.kind));
                std::fs::write(&file, svg(&drawn)).unwrap();
                let cautions: Vec<String> = board.cautions.iter().map(|caution| caution.text.clone()).collect();
                let parts: Vec<String> = connections.parts.iter().map(|part| part.why.clone()).collect();
                wanted.push((file.clone(), expected(&drawn), [cautions, parts].concat()));
                files.push(file);
            }
        }
    }
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/drawings.py");
    let printed = String::from_utf8(run(Command::new(python()).arg(script).args(&files))).unwrap();
    assert_eq!(printed.lines().count(), wanted.len());
    for (line, (file, nets, texts)) in printed.lines().zip(&wanted) {
        let file = file.display();
        let looked: Value = serde_json::from_str(line).unwrap();
        assert_eq!(found(&looked["nets"]), *nets, "{file}");
        for fault in ["crossings", "overlaps", "outside"] {
            assert_eq!(looked[fault], serde_json::json!([]), "{file}: {fault}");
        }
        let said: Vec<&str> = looked["texts"].as_array().unwrap().iter().filter_map(Value::as_str).map(str::trim).collect();
        let said = said.join(" ");
        for text in texts.iter().map(String::as_str).chain(["Never feed a board from two supplies."]) {
            assert!(said.contains(text), "{file} does not say: {text}");
        }
    }
}

/// The reader of drawings must see what is wrong.
#[test]
fn canary() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("wrong.svg");
    let (one, other) = ("M10 10 L50 10", "M30 8 L30 20");
    let wrong = format!(
        "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 60 60'><path class='wire' d='{one}'/><path class='wire' d='{other}'/>\
         <text x='20' y='20' font-size='3'>first</text><text x='22' y='21' font-size='3'>second</text>\
         <text x='50' y='40' font-size='3'>too far right</text></svg>"
    );
    std::fs::write(&file, wrong).unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/drawings.py");
    let printed = run(Command::new(python()).arg(script).arg(&file));
    let looked: Value = serde_json::from_slice(&printed).unwrap();
    assert_eq!(looked["crossings"].as_array().unwrap().len(), 1);
    assert_eq!(looked["overlaps"].as_array().unwrap().len(), 2, "two texts, and one of them on a wire: {looked}");
    assert_eq!(looked["outside"], serde_json::json!(["too far right"]));
}
