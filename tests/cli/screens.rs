//! Every command says something useful, in text and in JSON, and shows an example in its help.

use super::Home;
use super::loader::demo_application;
use farrier::board::Catalog;
use farrier::record::{Journal, NewJob};
use farrier::sim::Store;

/// Every command, as there is a manual page of each; `farrier-snapshot-take.1` is of `snapshot take`.
fn commands(home: &Home) -> Vec<String> {
    home.run("man-pages pages").exits(0);
    let pages = std::fs::read_dir(home.path().join("pages")).expect("the pages");
    let names = pages.map(|page| page.expect("a page").file_name().into_string().expect("a name"));
    let words = names.map(|name| name.trim_start_matches("farrier").trim_end_matches(".1").replace('-', " ").trim().to_owned());
    words.map(|words| words.replace("man pages", "man-pages")).collect()
}

#[test]
fn every_help_has_an_example() {
    let home = Home::new();
    let commands = commands(&home);
    assert!(commands.len() > 30, "{commands:?}");
    for command in commands {
        home.run(&format!("{command} --help")).exits(0).says("Example: farrier");
    }
}

#[test]
fn an_option_that_a_command_does_not_take_is_not_in_its_help_and_is_refused() {
    let home = Home::new();
    for (command, option) in
        [("journal", "--via sim:vent"), ("snapshot compare a b", "--yes"), ("undo", "--on factory"), ("verify a", "--rehearse")]
    {
        let words = command.trim_end_matches([' ', 'a', 'b']);
        home.run(&format!("{command} {option}")).exits(2).says(&format!("`farrier {words}` does not take --"));
        home.run(&format!("{option} {command}")).exits(2).says("does not take --");
        let help = home.run(&format!("{words} --help"));
        assert!(!help.exits(0).out.contains(option.split(' ').next().expect("a word")), "{}", help.out);
    }
    assert!(home.run("undo --help").out.contains("--via") && home.run("write --help").out.contains("--on"));
}

#[test]
fn every_listing_works_in_an_empty_home_and_ends_with_a_command() {
    let home = Home::new();
    for line in ["", "boards", "bridges", "sim list", "snapshot list", "journal", "explain", "boards show vent"] {
        let ran = home.run(line);
        ran.exits(0).says("farrier ");
        let json = home.run(&format!("{line} --json"));
        json.exits(0);
        assert!(json.json()["version"].is_u64(), "{line}: {}", json.out);
    }
    assert!(std::fs::read_dir(home.path()).expect("the home").next().is_none(), "looking leaves no trace");
}

#[test]
fn a_whole_walk() {
    let home = Home::new();
    let image = home.file("vent.hex", demo_application("vent"));
    let image = image.display();
    home.run("inspect --via sim:vent").exits(0).says("as shipped").says("Next: farrier loader install --via sim:vent");
    home.run("loader install --via sim:vent --yes").exits(0);
    home.run(&format!("write {image} --via sim:vent --yes")).exits(0).says(&format!("Next: farrier verify {image} --via sim:vent"));
    home.run(&format!("verify {image} --via sim:vent")).exits(0).says("The flash holds");
    home.run("inspect --via sim:vent").exits(0).says("serial, every byte as built in");
    home.run("configure brown-out=below-2v7 --via sim:vent --yes").exits(0);
    let taken = home.run("snapshot take --via sim:vent --tag 7 --json");
    taken.exits(0);
    assert_eq!(taken.json()["snapshot"]["tag"], "7");
    home.run("snapshot list").exits(0).says("sim:vent");
    home.run("journal").exits(0).says("finished");
    home.run(&format!("inspect {image} --board vent")).exits(0).says("CRC-32");
}

/// On line one stands which board it is and who says so, on line two that it is simulated: also where nothing is to be done.
#[test]
fn every_screen_about_a_board_begins_with_the_board_and_who_named_it() {
    let home = Home::new();
    home.file("vent.hex", demo_application("vent"));
    let write = "write vent.hex --via sim:vent --board vent --yes";
    for (command, named) in [
        ("inspect --via sim:vent", "named by the sim"),
        ("loader install --on factory --board vent", "named by --board"),
        ("loader install --via sim:vent --yes", "named by the sim"),
        ("loader install --via sim:vent --yes", "named by the sim"),
        (write, "named by --board"),
        (write, "named by --board"),
        ("write vent.hex --via sim:vent --dry-run", "named by the sim"),
        ("verify vent.hex --via sim:vent", "named by the sim"),
        ("revive --via sim:vent", "named by the sim"),
        ("configure brown-out=below-2v7 --via sim:vent --yes", "named by the sim"),
        ("undo --via sim:vent --yes", "named by the sim"),
        ("snapshot take --via sim:vent", "named by the sim"),
        ("journal show last", "named by the job"),
        ("connections --board vent --bridge gpio", "named by --board"),
    ] {
        let ran = home.run(command);
        let lines: Vec<&str> = ran.exits(0).out.lines().collect();
        assert!(lines[0].starts_with("Board    vent (ATmega1284P), ") && lines[0].contains(named), "{command}:\n{}", ran.out);
        let simulated = !command.contains("--on") && !command.starts_with("connections");
        assert_eq!(lines[1].starts_with("SIMULATED: "), simulated, "{command}:\n{}", ran.out);
        assert!(
            !ran.out.lines().skip(2).any(|line| line.starts_with("SIMULATED") || line.starts_with("Board ")),
            "{command}:\n{}",
            ran.out
        );
    }
    let list = home.run("snapshot list --json").json();
    let kept = list["snapshots"][0]["name"].as_str().expect("a snapshot");
    for (command, named) in
        [("snapshot show K", "the snapshot"), ("inspect K", "the snapshot"), ("snapshot compare K K", "the first snapshot")]
    {
        let ran = home.run(&command.replace('K', kept));
        assert!(ran.exits(0).out.starts_with(&format!("Board    vent (ATmega1284P), named by {named}\n")), "{command}:\n{}", ran.out);
    }
}

/// A plan without a board ends with the command that carries it out.
#[test]
fn what_follows_a_plan_without_a_board_can_be_typed() {
    let home = Home::new();
    let next = "Next: farrier loader install --board vent --via WHERE\n";
    for on in ["--on factory", "--on=factory"] {
        let planned = home.run(&format!("loader install {on} --board vent"));
        assert!(planned.exits(0).out.ends_with(next), "{}", planned.out);
    }
    home.run("loader install --board vent --via sim:vent --dry-run").exits(0);
}

/// The command that a screen names does what it says as it stands there, also for a file that needs more than its name.
#[test]
fn the_next_command_works_as_printed() {
    let home = Home::new();
    // A jump to 0x00040, where a NOP is: what a program may begin with.
    let program = [&[0x0C, 0x94, 0x20, 0x00][..], &[0; 124]].concat();
    home.file("my vent.bin", &program);
    let write = ["write", "my vent.bin", "--at", "0", "--via", "sim:vent", "--board", "vent", "--yes"];
    let output = home.command().args(write).output().expect("the program");
    let screen = String::from_utf8_lossy(&output.stdout);
    assert!(
        output.status.success() && screen.contains("farrier verify 'my vent.bin' --at 0x00000 --via sim:vent --board vent"),
        "{screen}"
    );
    let verify = ["verify", "my vent.bin", "--at", "0x00000", "--via", "sim:vent", "--board", "vent"];
    assert!(home.command().args(verify).status().expect("the program").success());
    let inspect = home.command().args(["inspect", "my vent.bin", "--at", "0"]).output().expect("the program");
    let screen = String::from_utf8_lossy(&inspect.stdout);
    assert!(screen.contains("farrier write 'my vent.bin' --at 0x00000 --via WHERE"), "{screen}");
    home.run("inspect --via sim:vent --board vent").exits(0).says("farrier write APPLICATION --via sim:vent --board vent");
    home.run("journal show 999").exits(2).says("`farrier journal` shows");
}

/// Somebody who has worked with it for years sees the first screen at a glance too.
#[test]
fn the_first_screen_stays_short_however_much_there_is() {
    for long in ["", "-with-a-name-as-long-as-a-name-may-be-with-64-characters"] {
        let home = Home::new();
        home.run(&format!("boards new oven --chip ATmega8 --clock crystal --hz 4MHz --to {}/oven.toml", home.path().display())).exits(0);
        let file = std::fs::read_to_string(home.path().join("oven.toml")).expect("the board file");
        std::fs::create_dir(home.path().join("boards")).expect("the boards' folder");
        let sims = Store::open(home.path().join("sims"), Catalog::built_in());
        let mut journal = Journal::open(home.path().join("journal.sqlite")).expect("a journal");
        let plan = crate::record::plan(1);
        for n in 0..60u16 {
            let name = format!("bench-{:02}{long}", (n * 7) % 60);
            sims.create(&name, "vent", 1).expect("a simulated board");
            age(&home.path().join("sims").join(&name).join("state.json"), n);
        }
        for n in 0..30u16 {
            let name = format!("oven-{:02}{long}", (n * 7) % 30);
            age(&home.file(&format!("boards/{name}.toml"), file.replace("\"oven\"", &format!("\"{name}\"")).as_bytes()), n);
        }
        for n in 0..200 {
            let new = NewJob {
                board: format!("vent{long}"),
                bridge: format!("sim:bench-{n}{long}"),
                command: format!("farrier loader install --via sim:bench-{n}{long} --yes"),
                ..crate::record::new_job(&plan)
            };
            let job = journal.begin(&new).expect("a job");
            if n % 20 != 3 {
                journal.close(job, crate::record::date(n)).expect("its end");
                continue;
            }
            for step in 0..2 {
                journal.step_begun(job, step, crate::record::date(n)).expect("a step");
                journal.step_finished(job, step, crate::record::date(n), std::time::Duration::ZERO).expect("its end");
            }
        }
        let screen = home.run("");
        screen.exits(0).says(&format!("sim:bench-53{long}")).says("more (`farrier sim list`)");
        screen.says(&format!("Boards oven-23{long}")).says("more (`farrier boards`) of your own");
        screen.says("190 jobs ended, 10 unfinished; those: `farrier journal --unfinished`");
        screen.says(&format!("job 184 on vent{long} through")).says(&format!("farrier loader install --via sim:bench-183{long} --yes"));
        assert!(screen.out.lines().count() <= 24, "{} lines:\n{}", screen.out.lines().count(), screen.out);
        let all = home.run("--json").json();
        assert_eq!((all["sims"].as_array().map(Vec::len), all["unfinished"].as_array().map(Vec::len)), (Some(60), Some(10)));
        // Those that the screen points to.
        assert_eq!(home.run("sim list").exits(0).out.matches("bench-").count(), 61, "each, and the first again in the next command");
        assert_eq!(home.run("journal --unfinished").exits(0).out.matches("unfinished: ").count(), 10);
    }
}

/// Makes a file older the smaller `n` is.
fn age(file: &std::path::Path, n: u16) {
    let then = std::time::UNIX_EPOCH + std::time::Duration::from_secs(1_764_000_000 + u64::from(n));
    std::fs::File::options().write(true).open(file).and_then(|file| file.set_modified(then)).expect("its date is set");
}
