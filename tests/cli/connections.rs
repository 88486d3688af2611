//! `connections`, and what follows from the levels that it draws.

use super::Home;

#[test]
fn without_a_terminal_it_says_what_to_type() {
    let home = Home::new();
    let ran = home.run("connections");
    ran.exits(2).says("--board NAME --bridge KIND").says("Boards: frost, pump, vent").says("Bridges: rp2040, atmega328p, gpio");
    ran.says("Which bridge to buy first").says("farrier connections --board vent --bridge atmega328p");
    home.run("connections --board pump").exits(2).says("farrier connections --board pump --bridge atmega328p");
    home.run("connections --board vent --bridge bent")
        .exits(2)
        .says("there is no bridge kind \"bent\"; there are: atmega328p, gpio or rp2040");
    home.run("connections --board bent --bridge gpio").exits(2).says("there is no board \"bent\"");
}

#[test]
fn the_board_feeds_itself_unless_it_is_said_otherwise() {
    let home = Home::new();
    let pair = "connections --board vent --bridge atmega328p";
    home.run(pair).exits(0).says("The board feeds itself").says("--powered-by bridge").says("Never feed a board from two supplies.");
    home.run(&format!("{pair} --powered-by bridge")).exits(0).says("The bridge feeds the board with 5.0 V from its pin 5V");
    let lower =
        [("least_mv = 3_000", "least_mv = 1_700"), ("most_mv = 3_600", "most_mv = 1_900"), ("signal_mv = 3_300", "signal_mv = 1_800")];
    let lower = lower.into_iter().chain([("below-2v7", "below-1v8")]);
    let own = lower.fold(include_str!("../../boards/demo/frost.toml").to_owned(), |own, (from, to)| own.replace(from, to));
    home.file("low.toml", own.as_bytes());
    let low = "connections --board ./low.toml --bridge rp2040";
    home.run(low).exits(0);
    home.run(&format!("{low} --powered-by bridge")).exits(3).says("supply-out-of-range").says("--powered-by board");
}

#[test]
fn a_drawing_for_print_is_written_and_never_over_another_file() {
    let home = Home::new();
    let pair = "connections --board pump --bridge rp2040 --svg pump.svg";
    home.run(pair).exits(0).says("The drawing for print is in pump.svg.");
    let drawn = std::fs::read_to_string(home.path().join("pump.svg")).expect("the drawing");
    assert!(drawn.starts_with("<?xml") && drawn.ends_with("</svg>\n"), "{drawn}");
    home.file("pump.svg", b"mine");
    home.run(pair).exits(2).says("Nothing is overwritten");
    assert_eq!(std::fs::read(home.path().join("pump.svg")).expect("the file"), b"mine");
}

#[test]
fn json_has_every_wire() {
    let home = Home::new();
    let json = home.run("connections --board frost --bridge atmega328p --json").json();
    assert_eq!((json["fit"].as_str(), json["powered_by"].as_str()), (Some("too-high"), Some("board")));
    let wires = json["wires"].as_array().expect("wires");
    let sck = wires.iter().find(|wire| wire["wire"] == "SCK").expect("a wire for SCK");
    assert_eq!((&sck["bridge_pin"], &sck["board_pin"], &sck["chip_pin"]), (&"PB5".into(), &3.into(), &"PB5".into()));
}

/// A bridge whose level the board does not bear is refused before it drives a line, whatever the command.
#[test]
fn levels_that_differ_stop_every_command_until_the_parts_are_fitted() {
    let home = Home::new();
    home.run("sim new bench --board frost").exits(0);
    home.run("sim damage bench wrong-level=5000").exits(0);
    for command in ["inspect", "snapshot take", "loader install --yes"] {
        let ran = home.run(&format!("{command} --via sim:bench"));
        ran.exits(3).says("refused: levels-differ").says("farrier connections --board frost --bridge atmega328p");
    }
    let untouched = home.run("sim list --json").json();
    assert_eq!(untouched["sims"][0]["operations"], 0, "no operation reached the board");
    // What this command needed to be told of the board, the next one needs as well.
    let next = "farrier write APPLICATION --via sim:bench --supply=3.3 --levels-shifted";
    home.run("loader install --yes --via sim:bench --supply=3.3 --levels-shifted").exits(0).says("Done.").says(next);
}
