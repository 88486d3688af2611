//! For a class: boards whose fault is not told, files to hand in, images to practise with.

use super::Home;
use farrier::sim::BRICKED;

#[test]
fn a_surprise_is_not_told_until_it_is_revealed() {
    let home = Home::new();
    home.run("sim new bench --board vent --bricked surprise --seed 4").exits(0).says("is not told").says("farrier sim reveal bench");
    let list = home.run("sim list");
    let revealed = home.run("sim reveal bench");
    let kind = BRICKED.iter().find(|kind| revealed.out.contains(&format!("bricked as {}. ", kind.name))).expect("a kind");
    revealed.exits(0).says(kind.sentence);
    assert!(!list.out.contains(kind.name), "{}", list.out);
    home.run("sim new plain --board vent").exits(0);
    home.run("sim reveal plain").exits(0).says("was not bricked");
    home.run("sim reveal nobody").exits(2);
}

#[test]
fn a_class_gets_files_and_hands_them_in() {
    let home = Home::new();
    home.run("sim class 6 monday --seed 7").exits(0).says("6 boards are in monday").says("keep that one back");
    let answers = std::fs::read_to_string(home.path().join("monday/answers.txt")).expect("the sheet");
    for n in 1..=6 {
        let board = format!("board-{n:03}");
        let line = answers.lines().find(|line| line.starts_with(&board)).expect("its answer");
        let kind = home.run(&format!("sim reveal ./monday/{board}.sim --json")).json()["bricked"].as_str().expect("a kind").to_owned();
        assert!(line.contains(&kind), "{line}");
    }
    let again = home.run("sim class 6 monday --seed 7");
    again.exits(2).says("there is a class in monday already");
    home.run("sim class 6 tuesday --seed 7").exits(0);
    let sheets = ["monday", "tuesday"].map(|day| std::fs::read_to_string(home.path().join(day).join("answers.txt")).expect("a sheet"));
    assert_eq!(sheets[0], sheets[1], "the same seed makes the same class");
}

/// Neither the kind nor a fault that tells it stands in a file as people read it; those of before, in which both do, are opened too.
#[test]
fn a_cause_is_sealed_in_the_file_that_is_handed_out() {
    let home = Home::new();
    home.run("sim class 12 monday --seed 7").exits(0);
    let mut with_faults = 0;
    for n in 1..=12 {
        let file = format!("./monday/board-{n:03}.sim");
        // Made, and saved again by a command.
        for used in [false, true] {
            if used {
                home.run(&format!("inspect --via sim:{file}"));
            }
            let text = std::fs::read_to_string(home.path().join(&file)).expect("the file");
            let kind = BRICKED.iter().find(|kind| text.contains(kind.name));
            assert!(kind.is_none() && text.contains("\"faults\":[],") && text.contains("\"sealed\":\""), "{file}: {kind:?}");
        }
        let revealed = home.run(&format!("sim reveal {file} --json")).json()["bricked"].clone();
        let text = std::fs::read_to_string(home.path().join(&file)).expect("the file");
        let mut state: serde_json::Value = serde_json::from_str(&text).expect("it is JSON");
        let hex = state["sealed"].as_str().expect("what is sealed").to_owned();
        let bytes = (0..hex.len()).step_by(2).map(|at| u8::from_str_radix(&hex[at..at + 2], 16).expect("two digits"));
        let sealed: serde_json::Value = serde_json::from_slice(&bytes.collect::<Vec<u8>>()).expect("it is JSON");
        state.as_object_mut().expect("an object").remove("sealed");
        state["brick"] = sealed["brick"].clone();
        state["faults"] = sealed["faults"].clone();
        with_faults += usize::from(sealed["faults"] != serde_json::json!([]));
        home.file("before.sim", state.to_string().as_bytes());
        assert_eq!(home.run("sim reveal ./before.sim --json").json()["bricked"], revealed, "{file}");
        state["sealed"] = "7B".into();
        home.file("wrong.sim", state.to_string().as_bytes());
        home.run("inspect --via sim:./wrong.sim").exits(2).says("what is sealed in it makes no sense");
    }
    assert!(with_faults > 0, "some of them are bricked by a fault");
}

#[test]
fn a_file_that_was_handed_over_is_a_board_like_any_other() {
    let home = Home::new();
    home.run("sim new ./mine.sim --board vent").exits(0);
    home.run("loader install --via sim:./mine.sim --yes").exits(0);
    home.run("write demo:vent-1 --via sim:./mine.sim --yes").exits(0);
    let handed_in = Home::new();
    std::fs::copy(home.path().join("mine.sim"), handed_in.path().join("mine.sim")).expect("a copy");
    handed_in.run("verify demo:vent-1 --via sim:./mine.sim").exits(0).says("The flash holds demo:vent-1");
    assert!(!home.path().join("mine.sim.changes").exists(), "all of it is in the file");
    home.run("inspect --via sim:./nothing.sim").exits(2).says("there is no file ./nothing.sim");
}

/// A home where a board of its own is described, `kiln`, with this chip at this clock.
fn with_a_kiln(told: &str) -> Home {
    let home = Home::new();
    home.run(&format!("boards new kiln {told}")).exits(0);
    home
}

/// The file of one home, handed in at another.
fn hand_in(from: &Home, file: &str, to: &Home) {
    std::fs::copy(from.path().join(file), to.path().join("mine.sim")).expect("a copy");
}

#[test]
fn a_board_of_an_own_kind_is_handed_over_with_its_board_file() {
    let teacher = with_a_kiln("--chip ATmega644P --clock crystal --hz 20MHz --baud 57600");
    let text = std::fs::read_to_string(teacher.path().join("boards/kiln.toml")).expect("the board file");
    std::fs::write(teacher.path().join("beside.toml"), &text).expect("a copy");
    teacher.run("sim class 2 monday --board kiln").exits(0);
    teacher.run("sim class 2 tuesday --board beside.toml").exits(0);
    teacher.run("sim new ./wednesday.sim --board ./beside.toml").exits(0);
    for file in ["monday/board-001.sim", "tuesday/board-002.sim"] {
        let pupil = Home::new();
        hand_in(&teacher, file, &pupil);
        let said = pupil.run("sim reveal ./mine.sim --json").json()["sentence"].to_string();
        let asked = teacher.run(&format!("sim reveal ./{file} --json")).json()["sentence"].to_string();
        assert_eq!(said, asked);
        pupil.run("sim export ./mine.sim held").exits(0).says("board.toml");
        let carried = std::fs::read_to_string(pupil.path().join("held/board.toml")).expect("the board file");
        assert_eq!(carried, text);
        pupil.run("boards show held/board.toml").exits(0).says("loader for 20 MHz, UART0, 57600 baud");
    }
    let pupil = Home::new();
    hand_in(&teacher, "wednesday.sim", &pupil);
    pupil.run("inspect --via sim:./mine.sim").exits(0).says("kiln (ATmega644P), carried by the file");
    pupil.run("loader install --via sim:./mine.sim --yes").exits(0).says("loader for 20 MHz, UART0, 57600 baud");
    pupil.run("journal show last").exits(0);
    pupil
        .run("undo --via sim:./mine.sim --yes --accept loader-removed --accept clock-source-changed --accept reset-into-empty-flash")
        .exits(0);
    // What has changed since is kept with it.
    teacher.run("inspect --via sim:./wednesday.sim").exits(0).says("as shipped");
    hand_in(&pupil, "mine.sim", &teacher);
    teacher.run("inspect --via sim:./mine.sim").exits(0).says("carried by the file");
}

#[test]
fn what_a_handed_in_board_carries_counts_whatever_is_described_beside_it() {
    let teacher = with_a_kiln("--chip ATmega644P --clock crystal --hz 20MHz");
    teacher.run("sim new ./kiln.sim --board kiln").exits(0);
    teacher.run("sim new ./vent.sim --board vent").exits(0);
    // The same names with another chip, in the folder of boards and beside the file.
    let pupil = with_a_kiln("--chip ATmega8 --clock crystal --hz 8MHz");
    let text = std::fs::read_to_string(pupil.path().join("boards/kiln.toml")).expect("the board file");
    std::fs::write(pupil.path().join("kiln.toml"), &text).expect("a copy");
    std::fs::write(pupil.path().join("boards/vent.toml"), text.replace("\"kiln\"", "\"vent\"")).expect("a board file");
    pupil.run("inspect --board vent --via sim:vent").exits(0).says("vent (ATmega8)");
    for (file, board) in [("kiln.sim", "kiln (ATmega644P), carried by the file"), ("vent.sim", "vent (ATmega1284P), carried by the file")] {
        hand_in(&teacher, file, &pupil);
        pupil.run("inspect --via sim:./mine.sim").exits(0).says(board);
    }
    // Who names a board means that one, and is told that it is another chip.
    pupil
        .run("inspect --via sim:./mine.sim --board kiln")
        .exits(3)
        .says("wrong-chip")
        .says("farrier revive --via sim:./mine.sim --board kiln");
    // A board of the store is what its board file says now.
    pupil.run("sim new bench --board kiln").exits(0);
    std::fs::write(pupil.path().join("boards/kiln.toml"), text.replace("# told", "# told, and looked at")).expect("the board file");
    pupil.run("inspect --via sim:bench").exits(0).says("kiln (ATmega8), named by the sim");
}

#[test]
fn a_handed_in_board_of_before_or_with_mistakes_is_opened_or_told() {
    let home = with_a_kiln("--chip ATmega644P --clock crystal --hz 20MHz");
    home.run("sim new ./kiln.sim --board kiln").exits(0);
    let state = std::fs::read_to_string(home.path().join("kiln.sim")).expect("the file");
    let mut state: serde_json::Value = serde_json::from_str(&state).expect("it is JSON");
    let text = state["texts"]["board"].as_str().expect("the board file's text").to_owned();
    state["texts"]["board"] = text.replace("20000000", "\"fast\"").into();
    home.file("wrong.sim", state.to_string().as_bytes());
    home.run("inspect --via sim:./wrong.sim").exits(2).says("the board file that it carries").says("hz");
    state.as_object_mut().expect("an object").remove("texts");
    home.file("before.sim", state.to_string().as_bytes());
    home.run("inspect --via sim:./before.sim").exits(0).says("kiln (ATmega644P), named by the sim");
}

/// A chip of the maker's own goes with it.
#[test]
fn an_own_chip_is_handed_over_too() {
    let (teacher, pupil) = (Home::new(), Home::new());
    std::fs::create_dir_all(teacher.path().join("boards/chips")).expect("a folder");
    let chip = std::fs::read_to_string("boards/chips/atmega328p.toml").expect("a chip file").replace("ATmega328P", "ATmega329X");
    teacher.file("boards/chips/atmega329x.toml", chip.as_bytes());
    teacher.run("sim new ./mine.sim --board generic-atmega329x").exits(0);
    hand_in(&teacher, "mine.sim", &pupil);
    pupil.run("inspect --via sim:./mine.sim").exits(0).says("generic-atmega329x (ATmega329X), carried by the file");
}

#[test]
fn images_to_practise_with_are_taken_or_refused_for_what_they_are() {
    let home = Home::new();
    for board in ["vent", "pump", "frost"] {
        home.run(&format!("loader install --via sim:{board} --yes")).exits(0);
        home.run(&format!("write demo:{board}-1 --via sim:{board} --yes")).exits(0);
        home.run(&format!("verify demo:{board}-1 --via sim:{board}")).exits(0);
        home.run(&format!("write demo:{board}-too-big --via sim:{board} --yes")).exits(3).says("image-overlaps-loader");
        home.run(&format!("write demo:{board}-wrong-offset --via sim:{board} --yes")).exits(3).says("image-may-not-start");
        home.run(&format!("verify demo:{board}-wrong-offset --via sim:{board}")).exits(1).says("0x800 bytes further down");
        let other = format!("write demo:{board}-other-chip --via sim:{board} --yes");
        home.run(&other).exits(3).says("image-of-another-chip");
        home.run(&format!("{other} --accept image-of-another-chip")).exits(0);
        // That it was written once does not make it this board's.
        home.run(&format!("revive --via sim:{board}")).says("application-of-another-board");
    }
    // Without a loader its flash is the application's, and screen and finding say the same of what is left: a page of it is used.
    home.run("sim new bare --board vent").exits(0);
    for _ in 0..2 {
        let ran = home.run("write demo:vent-too-big --via sim:bare --yes");
        ran.exits(0).says("Room 1.8 KiB left of 128 KiB for the application, with 2 KiB that a loader would take");
        assert!(ran.out.contains("Nothing was changed") || ran.out.contains("1792 are free"), "{}", ran.out);
    }
    // Where a loader stands that reset does not start, its flash is none of the application's.
    home.run("configure reset-start=application --via sim:vent --yes").exits(0);
    home.run("inspect --via sim:vent").exits(0).says("left of 126 KiB for the application");
    home.run("write demo:vent-9 --via sim:vent --yes").exits(2).says("demo:vent-1, demo:vent-too-big");
}
