//! Numbered questions: at a terminal, and where nobody can be asked.

use super::{Home, Ran};
use farrier::sim::Pty;
use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::process::{Command, Stdio};

/// The program with stdin and stderr at a terminal.
fn at(pty: &Pty, command: &mut Command) {
    let terminal = || File::options().read(true).write(true).open(pty.path()).expect("the terminal");
    command.stdin(terminal()).stderr(terminal()).stdout(Stdio::piped());
}

/// Answers the question for a bridge with `before`, and then with the number that stands before `choice`.
fn answer(home: &Home, line: &str, choice: &str, before: &[&str]) -> (Ran, String) {
    let mut pty = Pty::open().expect("a pty");
    let mut command = home.command();
    at(&pty, command.args(line.split_whitespace()));
    let running = command.spawn().expect("it starts");
    drop(command);
    let mut screen = BufReader::new(pty.reader().expect("its other end"));
    let mut shown = String::new();
    let number = loop {
        let mut row = String::new();
        assert_ne!(screen.read_line(&mut row).expect("a line"), 0, "it ended: {shown}");
        shown += &row;
        if let Some((number, _)) = row.trim().split_once("  ").filter(|(_, place)| *place == choice) {
            break number.to_owned();
        }
    };
    for answer in before.iter().chain([&number.as_str()]) {
        pty.writer().write_all(format!("{answer}\n").as_bytes()).expect("the answer");
    }
    let rest = std::thread::spawn(move || {
        let mut rest = String::new();
        while screen.read_line(&mut rest).expect("a line") > 0 {}
        rest
    });
    let ran = Ran::of(line, &running.wait_with_output().expect("it ends"));
    (ran, shown + &rest.join().expect("all that it said"))
}

#[test]
fn the_number_of_a_bridge_is_typed_at_the_question() {
    let home = Home::new();
    home.run("sim new bench-7 --board pump").exits(0);
    let (ran, shown) = answer(&home, "inspect", "sim:bench-7", &[]);
    assert!(shown.contains("Which bridge? Its number, or give --via:"), "{shown}");
    ran.exits(0).says("ATmega2560").says("--via sim:bench-7");
}

#[test]
fn an_answer_that_makes_no_sense_is_asked_again_and_the_third_ends_it() {
    let home = Home::new();
    home.run("sim new bench-7 --board pump").exits(0);
    for wrong in [["0", "999"], ["bench-7", ""]] {
        let (ran, shown) = answer(&home, "inspect", "sim:bench-7", &wrong);
        ran.exits(0).says("--via sim:bench-7");
        assert_eq!(shown.matches("is none of the numbers 1 to").count(), 2, "{wrong:?}: {shown}");
    }
    let (ran, shown) = answer(&home, "inspect", "sim:bench-7", &["0", "", "vent"]);
    ran.exits(2);
    assert!(shown.contains("error: 'vent' is none of the numbers 1 to"), "{shown}");
}

#[test]
fn where_nobody_can_be_asked_it_is_said_what_to_type() {
    let home = Home::new();
    let ran = home.run("inspect");
    ran.exits(2).says("there is nobody here to ask: Which bridge?").says("sim:vent").says("Say it with --via, for example:");
    ran.says("  farrier inspect --via ");
    let ran = home.run("inspect --via tcp://127.0.0.1:1");
    ran.exits(2).says("Which board is it?").says("  farrier inspect --via tcp://127.0.0.1:1 --board ");
}
