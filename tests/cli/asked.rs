//! Numbered questions: at a terminal, and where nobody can be asked.

use super::loader::demo_application;
use super::{Home, Ran};
use farrier::sim::Pty;
use rustix::termios::{LocalModes, OptionalActions, tcgetattr, tcsetattr};
use std::fs::File;
use std::io::{Read, Write};
use std::process::{Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::thread;
use std::time::Duration;

/// The program with stdin and stderr at a terminal.
fn at(pty: &Pty, command: &mut Command) {
    let terminal = || File::options().read(true).write(true).open(pty.path()).expect("the terminal");
    command.stdin(terminal()).stderr(terminal()).stdout(Stdio::piped());
}

/// Ends the input of a terminal, as a key.
const CTRL_D: char = '\x04';

/// A terminal that hands over what is typed line by line, as people's terminals do.
fn terminal() -> Pty {
    let pty = Pty::open().expect("a pty");
    let port = File::options().read(true).write(true).open(pty.path()).expect("the terminal");
    let mut settings = tcgetattr(&port).expect("its settings");
    settings.local_modes |= LocalModes::ICANON;
    tcsetattr(&port, OptionalActions::Now, &settings).expect("they are set");
    pty
}

/// Runs the program at a terminal where this is typed; and all that stderr showed.
fn typing(home: &Home, args: &[&str], typed: &str) -> (Ran, String) {
    let mut pty = terminal();
    let mut command = home.command();
    at(&pty, command.args(args));
    let running = command.spawn().expect("it starts");
    drop(command);
    let mut screen = pty.reader().expect("its other end");
    pty.writer().write_all(typed.as_bytes()).expect("the answers");
    let shown = thread::spawn(move || {
        let mut shown = String::new();
        screen.read_to_string(&mut shown).map(|_| shown)
    });
    let ran = Ran::of(&args.join(" "), &running.wait_with_output().expect("it ends"));
    (ran, shown.join().expect("the reader").expect("all that it said"))
}

/// Answers the question for a bridge with `before`, and then with the number that stands before `choice`.
fn answer(home: &Home, line: &str, choice: &str, before: &[&str]) -> (Ran, String) {
    // The first run shows the numbers, and is ended there.
    let args: Vec<&str> = line.split_whitespace().collect();
    let (_, shown) = typing(home, &args, &CTRL_D.to_string());
    let numbers = shown.lines().filter_map(|row| row.trim().split_once("  ")).find(|(_, place)| *place == choice);
    let (number, _) = numbers.unwrap_or_else(|| panic!("{choice} is not there: {shown}"));
    typing(home, &args, &(before.join("\n") + if before.is_empty() { "" } else { "\n" } + number + "\n"))
}

#[test]
fn the_number_of_a_bridge_is_typed_at_the_question() {
    let home = Home::new();
    home.run("sim new bench-7 --board pump").exits(0);
    let (ran, shown) = answer(&home, "inspect", "sim:bench-7", &[]);
    assert!(shown.contains("Which bridge? Its number, or give --via:"), "{shown}");
    ran.exits(0).says("ATmega2560").says("--via sim:bench-7");
    // So is what stands behind it.
    typing(&home, &["inspect"], "sim:bench-7\n").0.exits(0).says("--via sim:bench-7");
}

#[test]
fn an_answer_that_makes_no_sense_is_asked_again_as_long_as_somebody_answers() {
    let home = Home::new();
    home.run("sim new bench-7 --board pump").exits(0);
    for wrong in [vec!["0", "999"], vec!["bench-7", ""], vec!["0", "", "vent", "-1", "x", "7 8", "1e3"]] {
        let (ran, shown) = answer(&home, "inspect", "sim:bench-7", &wrong);
        ran.exits(0).says("--via sim:bench-7");
        assert_eq!(shown.matches("type one of the numbers 1 to").count(), wrong.len(), "{wrong:?}: {shown}");
    }
}

#[test]
fn the_end_of_the_input_means_no_at_every_question() {
    let home = Home::new();
    // Also after words that were not entered.
    for typed in ["\x04", "1\x04\x04", "x\n\x04"] {
        let (ran, shown) = typing(&home, &["inspect"], typed);
        ran.exits(3);
        assert!(shown.contains("nothing was written or changed"), "{typed:?}: {shown}");
    }
    home.run("sim new bench --board vent").exits(0);
    let before = home.export("bench");
    let (ran, shown) = typing(&home, &["loader", "install", "--via", "sim:bench"], "yes\x04\x04");
    ran.exits(3);
    assert!(shown.contains("Go ahead?") && shown.contains("nothing was changed"), "{shown}");
    assert_eq!(home.export("bench").flash, before.flash);
    home.run("loader install --via sim:bench --yes").exits(0);
    let (ran, shown) = typing(&home, &["loader", "remove", "--via", "sim:bench", "--yes"], "loader-removed\x04\x04\x04");
    ran.exits(3);
    assert!(shown.contains("Type loader-removed to accept it"), "{shown}");
    assert!(shown.contains("consent is missing for loader-removed, reset-into-empty-flash"), "{shown}");
    // With Enter the same words count.
    let both = "loader-removed\nreset-into-empty-flash\n";
    typing(&home, &["loader", "remove", "--via", "sim:bench", "--yes"], both).0.exits(0);
    // At a diagnosis that is told rung by rung, it stops there.
    let (ran, shown) = typing(&home, &["revive", "--one-step", "--via", "sim:bench"], "\n\x04");
    ran.exits(0);
    assert_eq!(shown.matches("Enter goes on").count(), 2, "{shown}");
}

/// What `boards new` asks of a chip that is named, answered one after another.
const KILN: [&str; 10] =
    ["the kiln's controller", "1", "20MHz", "printed on the crystal", "5", "2048", "the kiln heater", "64", "kiln ready", "57600"];

#[test]
fn no_wrong_answer_about_a_new_board_loses_the_others() {
    let home = Home::new();
    let wrong = ["the kiln's controller", "4", "0", "ruby", "", "1", "32MHz", "2", "3MHz", "1", "99999999MHz", "fast", "", "x", "20MHz"];
    let then =
        ["printed on the crystal", "24", "9", "-5", "five", "5", "2000", "all", "-1", "2048", "the kiln heater", "99999", "all", "x", "64"];
    let last = ["kiln ready", "0", "5000000", "fast", "1", "57600"];
    let typed = [&wrong[..], &then, &last].concat().join("\n") + "\n";
    // Options that make no sense are asked about too: they are read after answers that were given.
    let options = ["--reserve", "3", "--settings", "999999", "--hz", "33MHz", "--clock", "crystal", "--supply", "6"];
    let (ran, shown) = typing(&home, &[&["boards", "new", "kiln", "--chip", "ATmega644P"][..], &options].concat(), &typed);
    assert!(shown.contains("no boot section of 3 bytes") && shown.contains("needs 1.8 V to 5.5 V, and not 6.0 V"), "{shown}");
    assert!(shown.contains("cannot be set to that clock; it can run at 400 kHz to 20 MHz, 32.768 kHz"), "{shown}");
    assert!(shown.contains("has no oscillator of its own for 3 MHz; its own give 128 kHz, 16 kHz, 8 MHz"), "{shown}");
    ran.exits(0).says("Next: farrier boards show kiln");
    let file = home.path().join("boards/kiln.toml");
    let text = std::fs::read_to_string(&file).expect("the file");
    let (ran, _) = typing(&home, &["boards", "new", "plain", "--chip", "ATmega644P"], &(KILN.join("\n") + "\n"));
    ran.exits(0);
    let plain = std::fs::read_to_string(home.path().join("boards/plain.toml")).expect("the file");
    assert_eq!(text, plain.replace("plain", "kiln"), "the same answers make the same file, whatever was wrong between them");
}

/// A chip without crystal, boot section and serial port is not asked about them.
#[test]
fn what_a_chip_cannot_have_is_not_asked() {
    let home = Home::new();
    let typed = ["ATtiny13", "a lamp", "1", "9.6MHz", "", "5", "the lamp", "0", ""].join("\n") + "\n";
    let (ran, shown) = typing(&home, &["boards", "new", "lamp"], &typed);
    ran.exits(0);
    assert!(!shown.contains("crystal or") && !shown.contains("reserve") && !shown.contains("baud"), "{shown}");
    assert!(shown.contains("sees it: 128 kHz, 16 kHz, 9.6 MHz, 1.2 MHz, 4.8 MHz, 600 kHz?"), "{shown}");
}

/// Where only one thing can run the chip, there is nothing to choose.
#[test]
fn a_question_with_one_answer_is_not_asked() {
    let home = Home::new();
    let typed = ["a key fob", "4MHz", "", "3", "the lamp", "0", ""].join("\n") + "\n";
    let (ran, shown) = typing(&home, &["boards", "new", "fob", "--chip", "ATA5795"], &typed);
    ran.exits(0);
    assert!(!shown.contains("Its number") && shown.contains("How fast, as the firmware sees it: 4 MHz, 500 kHz (from memory"), "{shown}");
}

#[test]
fn questions_about_a_new_board_end_without_a_file() {
    let home = Home::new();
    for answers in 0..KILN.len() {
        let typed: String = KILN[..answers].iter().map(|answer| format!("{answer}\n")).collect();
        let (ran, shown) = typing(&home, &["boards", "new", "kiln", "--chip", "ATmega644P"], &format!("{typed}{CTRL_D}"));
        ran.exits(3);
        assert!(shown.contains("nothing was written"), "after {answers}: {shown}");
    }
    let (ran, _) = typing(&home, &["boards", "new", "kiln"], "ATmega9\n\nATmega644P\n\x04");
    ran.exits(3);
    assert!(!home.path().join("boards").exists());
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

/// What comes from the program at this port, as it comes.
fn heard_at(pty: &Pty) -> Receiver<Vec<u8>> {
    let (mut port, (tell, heard)) = (pty.reader().expect("its other end"), channel());
    thread::spawn(move || {
        let mut bytes = [0; 1024];
        while let Ok(count) = port.read(&mut bytes) {
            // A closed port gives nothing at once.
            if count == 0 {
                thread::sleep(Duration::from_millis(1));
            } else if tell.send(bytes[..count].to_vec()).is_err() {
                return;
            }
        }
    });
    heard
}

const SOON: Duration = Duration::from_secs(20);

/// Waits until the terminal has shown this.
fn wait_for(screen: &Receiver<Vec<u8>>, text: &str) {
    let mut shown = String::new();
    while !shown.contains(text) {
        let more = screen.recv_timeout(SOON).unwrap_or_else(|_| panic!("not shown: {text}\n{shown}"));
        shown += &String::from_utf8_lossy(&more);
    }
}

/// The loader asked while somebody thought, and has given up since: what would be sent then goes to whatever the board runs now.
#[test]
fn what_a_loader_asked_before_the_answer_is_passed_over() {
    let home = Home::new();
    home.file("vent.hex", demo_application("vent"));
    let (mut desk, mut board) = (terminal(), Pty::open().expect("a pty"));
    let mut command = home.command();
    command.args(["write", "vent.hex", "--way", "fitted-loader", "--board", "vent", "--via"]).arg(board.path());
    at(&desk, &mut command);
    let mut running = command.spawn().expect("it starts");
    drop(command);
    let (screen, port) = (heard_at(&desk), heard_at(&board));
    wait_for(&screen, "Type no-snapshot-possible");
    board.writer().write_all(b"CCC").expect("the port");
    desk.writer().write_all(b"no-snapshot-possible\n").expect("the answer");
    wait_for(&screen, "Go ahead?");
    desk.writer().write_all(b"yes\n").expect("the answer");
    wait_for(&screen, "Reset the board now");
    assert_eq!(port.recv_timeout(Duration::from_millis(300)).ok(), None, "it was sent to");
    // One that asks now is.
    board.writer().write_all(b"C").expect("the port");
    assert_eq!(port.recv_timeout(SOON).expect("a block")[..3], [1, 1, 0xFE]);
    running.kill().expect("it is ended");
    running.wait().expect("it ends");
}
