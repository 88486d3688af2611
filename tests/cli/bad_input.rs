//! What goes wrong before anything is written, and what the user is told.

use super::Home;
use super::loader::demo_application;
use farrier::board::Catalog;
use farrier::sim::Store;

/// Demands that a command stops with exit 3 and this finding, and leaves the silicon alone.
fn refused(home: &Home, sim: &str, line: &str, finding: &str) {
    let before = home.export(sim);
    home.run(line).exits(3).says(finding);
    let after = home.export(sim);
    assert_eq!((&after.flash, &after.eeprom), (&before.flash, &before.eeprom), "{line}");
    assert_eq!((after.fuses(), after.lock()), (before.fuses(), before.lock()), "{line}");
}

#[test]
fn an_image_that_does_not_fit_is_refused_before_the_first_erase() {
    let home = Home::new();
    home.run("loader install --via sim:frost --yes").exits(0);
    let image = home.file("large.bin", &[0x0C; 0x7D00]);
    refused(&home, "frost", &format!("write {} --at 0 --via sim:frost --yes", image.display()), "image-overlaps-loader");
    let image = home.file("larger.bin", &[0x0C; 0x9000]);
    refused(&home, "frost", &format!("write {} --at 0 --via sim:frost --yes", image.display()), "image-outside-flash");
    refused(&home, "frost", &format!("verify {} --at 0 --via sim:frost", image.display()), "image-outside-flash");
}

#[test]
fn a_command_that_makes_no_sense_is_shown_one_that_does() {
    let home = Home::new();
    for (line, next) in [
        ("write", "farrier write --help"),
        ("restore", "Example: farrier restore 2026-11-25-090001-vent --via sim:vent"),
        ("frobnicate", "Example: farrier loader install --via sim:vent"),
        ("sim damage vent nothing", "Example: farrier sim damage bench-1 open-miso"),
        ("write gone.hex --via sim:vent", "farrier write --help"),
        ("configure colour=red --via sim:vent", "farrier configure --help"),
        ("bridges make nothing", "farrier bridges make --help"),
        ("explain nothing-like-it", "farrier explain"),
        ("boards check gone.toml", "Next: farrier boards"),
        ("boards new oven --chip AT90S8515 --clock crystal --hz 4MHz", "farrier boards new --help"),
    ] {
        home.run(line).exits(2).says(next);
    }
    assert_eq!(home.run("loader remove --frob --json").json()["next"][0], "farrier loader remove --help");
    home.run("write demo:frost-too-big --via sim:frost --yes").exits(0);
    let refused = home.run("loader install --via sim:frost --yes");
    refused.exits(3).says("farrier explain application-overlaps-reservation");
    assert!(refused.out.starts_with("Board    frost (ATmega328P), named by the sim\n"), "{}", refused.out);
}

#[cfg(unix)]
#[test]
fn a_name_that_is_no_text_is_no_reason_to_panic() {
    use std::os::unix::ffi::OsStrExt;
    let home = Home::new();
    let output = home.command().args(["inspect", "--via"]).arg(std::ffi::OsStr::from_bytes(b"/dev/\xFF")).output().expect("it starts");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.code() == Some(2) && said.contains("Example: farrier inspect"), "{said}");
}

#[test]
fn reset_does_not_come_to_start_in_the_middle_of_the_loader_unasked() {
    let home = Home::new();
    home.run("loader install --via sim:frost --yes").exits(0);
    refused(&home, "frost", "configure boot-section=512-bytes --via sim:frost --yes", "image-may-not-start");
    home.run("configure boot-section=512-bytes --via sim:frost --yes --accept image-may-not-start").exits(0);
    home.run("configure boot-section=1024-bytes --via sim:frost --yes").exits(0);
}

#[test]
fn a_snapshot_of_another_part_with_the_same_id_is_another_boards() {
    let home = Home::new();
    for (name, part) in [("one", "attiny2313"), ("two", "attiny2313a")] {
        home.run(&format!("sim new {name} --board generic-{part} --seed 4")).exits(0);
    }
    home.run("configure clock-output=on --via sim:one --board generic-attiny2313 --yes").exits(0);
    let taken = home.run("snapshot list --json").json()["snapshots"][0]["name"].as_str().unwrap().to_owned();
    let restore = format!("restore {taken} --via sim:two --board generic-attiny2313a --yes");
    home.run("configure clock-output=on --via sim:two --board generic-attiny2313a --yes").exits(0);
    home.run(&restore).exits(3).says("another-boards-snapshot").says("same ID");
    home.run(&restore.replace("two", "one").replace("2313a", "2313")).exits(0);
}

/// An ATA6285 that is taken for an AT90USB82: the bits of CKSEL are others there, FRCFS among them.
#[test]
fn fuse_bits_that_are_a_clock_of_another_part_with_the_same_id_need_a_consent() {
    let home = Home::new();
    home.run("sim new seed --board generic-ata6285").exits(0);
    let configure = "configure clock=crystal-8-to-16-mhz --via sim:seed --board generic-at90usb82 --yes --accept clock-source-changed";
    let before = home.export("seed").state;
    home.run(configure)
        .exits(3)
        .says("needs consent: part-of-same-id")
        .says("ATA6285 or ATA6286 or ATA6289, FRCFS becomes 'internal-4-mhz'")
        .says("--board generic-ata6285");
    home.run(&configure.replace("--yes", "--dry-run")).exits(0).says("part-of-same-id");
    home.run("configure clock=external --board generic-at90usb82 --on factory").exits(0).says("part-of-same-id");
    assert_eq!(home.export("seed").state["fuses"], before["fuses"]);
    // What is the same on all of them asks nothing.
    home.run("configure watchdog=always-on --via sim:seed --board generic-at90usb82 --yes --accept watchdog-must-be-fed").exits(0);
    let inspect = "inspect --via sim:seed --board generic-at90usb82";
    home.run(inspect).exits(0).says("ATA6285, ATA6286, ATA6289 have it too").says("see that AT90USB82 is printed on the chip");
    assert_eq!(home.run(&format!("{inspect} --json")).json()["parts_of_same_id"][0], "ATA6285");
    // An ATA6614Q has the ID of an ATmega328P and is like it.
    home.run("sim new plain --board generic-atmega328p").exits(0);
    assert_eq!(home.run("inspect --via sim:plain --json").json()["parts_of_same_id"], serde_json::json!([]));
}

/// What a compiler makes for a larger part begins with JMP, and an ATmega88 does not have it.
#[test]
fn an_image_that_begins_with_an_instruction_the_part_lacks_needs_a_consent() {
    let home = Home::new();
    home.run("sim new small --board generic-atmega88").exits(0);
    let line = |image: &std::path::Path| format!("write {} --at 0 --via sim:small --yes", image.display());
    // JMP 0x0002, then RJMP to itself; RJMP over a word, then the same.
    let image = home.file("jmp.bin", &[0x0C, 0x94, 0x02, 0x00, 0xFF, 0xCF]);
    refused(&home, "small", &line(&image), "image-may-not-start");
    home.run(&line(&image)).exits(3).says("(0x940C),");
    let image = home.file("rjmp.bin", &[0x01, 0xC0, 0x00, 0x00, 0xFF, 0xCF]);
    home.run(&line(&image)).exits(0);
}

#[test]
fn an_application_in_the_reservation_is_refused() {
    let home = Home::new();
    home.run("sim new bench --board frost").exits(0);
    let image = home.file("large.bin", &[0x0C; 0x7D00]);
    home.run(&format!("write {} --at 0 --via sim:bench --yes --accept image-may-not-start", image.display())).exits(0);
    refused(&home, "bench", "loader install --via sim:bench --yes", "application-overlaps-reservation");
}

#[test]
fn a_wrong_chip_is_refused() {
    let home = Home::new();
    home.run("sim new bench --board vent").exits(0);
    refused(&home, "bench", "loader install --via sim:bench --board pump --yes", "wrong-chip");
    home.run("sim damage bench other-chip").exits(0);
    refused(&home, "bench", "loader install --via sim:bench --yes", "wrong-chip");
}

#[test]
fn a_configuration_that_shuts_the_header_is_refused() {
    let home = Home::new();
    home.run("sim new bench --board frost").exits(0);
    refused(&home, "bench", "configure reset-pin=port-pin --via sim:bench --yes", "loses-programming-access");
}

#[test]
fn a_configuration_under_which_no_firmware_may_run_needs_consent() {
    let home = Home::new();
    home.run("boards new bed --chip ATmega328P --supply 3.3 --clock internal --hz 8MHz").exits(0);
    home.run("sim new bed --board bed").exits(0);
    for (what, finding) in [("watchdog=always-on", "watchdog-must-be-fed"), ("brown-out=below-4v3", "supply-below-brown-out")] {
        let line = format!("configure {what} --via sim:bed --yes");
        refused(&home, "bed", &line, finding);
        home.run(&line).exits(3).says(&format!("farrier {line} --accept {finding}"));
        let before = home.export("bed").fuses();
        home.run(&format!("{line} --accept {finding}")).exits(0);
        assert_ne!(home.export("bed").fuses(), before, "{what}");
    }
    // The other way round, and a level that the supply reaches, ask for nothing.
    home.run("configure watchdog=by-firmware brown-out=below-2v7 --via sim:bed --yes").exits(0);
}

/// What stands in no source of a chip file: start-up times, a brown-out level, a mode that no description explains, to and fro.
#[test]
fn a_value_of_which_nobody_knows_what_it_does_needs_consent() {
    let home = Home::new();
    for (part, what) in [
        ("at90scr100", "brown-out=on"),
        ("at90scr100", "start-up=sut-00"),
        ("atmega161", "start-up=sut-0"),
        ("atmega16hva2", "compatibility=off"),
        ("atmega64hve", "brown-out=on"),
    ] {
        home.run(&format!("sim new {part} --board generic-{part}"));
        let line = format!("configure {what} --via sim:{part} --yes");
        let fuses = || home.export(part).state["fuses"].clone();
        let before = fuses();
        home.run(&line).exits(3).says("effect-not-known");
        assert_eq!(fuses(), before, "{part}: {what}");
        home.run(&format!("{line} --accept effect-not-known")).exits(0);
        assert_ne!(fuses(), before, "{part}: {what}");
    }
    home.run("configure brown-out=off --via sim:at90scr100 --yes").exits(0);
}

#[test]
fn a_board_file_that_wants_the_watchdog_always_on_is_asked_nothing() {
    let home = Home::new();
    home.run("boards new bed --chip ATmega328P --clock internal --hz 8MHz --to bed.toml").exits(0);
    let file = std::fs::read_to_string(home.path().join("bed.toml")).expect("the file");
    let wants = file.replace("[expected_configuration]\n", "[expected_configuration]\nwatchdog = \"always-on\"\n");
    assert_ne!(wants, file);
    home.file("bed.toml", wants.as_bytes());
    home.run("sim new bed --board bed.toml").exits(0);
    home.run("loader install --via sim:bed --yes").exits(0);
    home.run("inspect --via sim:bed").exits(0).says("always-on");
}

#[test]
fn a_chip_that_does_not_answer_is_told_with_what_the_lines_show() {
    let home = Home::new();
    home.run("sim new bench --board vent").exits(0);
    let cases = [
        ("open-miso", "Look first at: MISO"),
        ("no-power", "Look first at: the board's supply"),
        ("shorted-data", "Look first at: MOSI and MISO"),
        ("held-line=reset-low", "RESET, which is shorted to ground"),
        ("held-line=sck-high", "SCK, which is shorted to the supply"),
    ];
    for (fault, evidence) in cases {
        home.run(&format!("sim damage bench {fault}")).exits(0);
        home.run("loader install --via sim:bench --yes").exits(4).says(evidence);
        home.run("sim repair bench").exits(0);
    }
    home.run("loader install --via sim:bench --yes").exits(0);
}

#[test]
fn a_lost_clock_is_replaced_by_the_bridges_where_the_board_or_the_user_says_that_it_is_wired() {
    let home = Home::new();
    home.run("sim new wired --board vent").exits(0);
    home.run("sim damage wired lost-clock").exits(0);
    home.run("inspect --via sim:wired").exits(0).says("1 MHz from the bridge's clock output");
    home.run("loader install --via sim:wired --yes").exits(0);
    home.run("sim new bare --board frost").exits(0);
    home.run("sim damage bare lost-clock").exits(0);
    let install = "loader install --via sim:bare --yes";
    home.run(install).exits(4).says("clock output wired to its clock pin").says(&format!("farrier {install} --clock-output"));
    home.run(&format!("{install} --clock-output")).exits(0);
    home.run("inspect --via sim:bare").exits(0);
}

/// A file name that a shell would part, and an option that may stand once.
#[test]
fn the_next_command_can_be_typed_as_it_stands() {
    let home = Home::new();
    let made = home.command().args(["sim", "new", "./bed 4.sim", "--board", "frost"]).output().expect("the program starts");
    let told = String::from_utf8(made.stdout).expect("text");
    assert!(told.contains("Next: farrier inspect --via 'sim:./bed 4.sim'"), "{told}");
    home.run("sim new held --board frost --bricked held-reset").exits(0);
    let ran = home.run("inspect --via sim:held --clock-output");
    ran.exits(4);
    assert!(!ran.err.contains("--clock-output --clock-output"), "{}", ran.err);
    home.run("inspect --via sim:held").exits(4).says("farrier inspect --via sim:held --clock-output");
}

#[test]
fn a_bad_image_is_told_with_file_and_line() {
    let home = Home::new();
    let mut hex = String::from_utf8(demo_application("vent").to_vec()).expect("HEX is text");
    hex.replace_range(9..11, "FF");
    let bad = home.file("bad.hex", hex.as_bytes());
    for command in ["inspect", "verify", "write --yes"] {
        home.run(&format!("{command} {} --via sim:vent", bad.display())).exits(2).says("bad.hex").says("line 1");
    }
    home.run("inspect nowhere.hex").exits(2).says("nowhere.hex");
    home.run(&format!("inspect {}", home.path().display())).exits(2).says("folder");
    let empty = home.file("empty.hex", b"");
    home.run(&format!("inspect {}", empty.display())).exits(2).says("empty");
}

#[test]
fn records_that_cannot_be_written_stop_the_job_before_the_first_erase() {
    for blocked in ["snapshots", "journal.sqlite"] {
        let home = Home::new();
        home.run("sim new bench --board vent").exits(0);
        match blocked {
            "snapshots" => drop(home.file("snapshots", b"in the way")),
            _ => std::fs::create_dir(home.path().join(blocked)).expect("a folder in the way"),
        }
        home.run("loader install --via sim:bench --yes").exits(2).says(blocked.trim_end_matches(".sqlite"));
        assert!(home.export("bench").flash.iter().all(|byte| *byte == 0xFF), "{blocked}");
        assert_eq!(home.export("bench").fuses(), [0x62, 0x99, 0xFF], "factory configuration (8272, fuse bits)");
    }
}

#[test]
fn a_lock_value_without_a_name_is_taken_for_a_locked_chip() {
    let home = Home::new();
    home.run("sim new bench --board vent").exits(0);
    let open = Store::open(home.path().join("sims"), Catalog::built_in()).open_sim("bench").expect("the sim is there");
    // LB2 alone: no row of the lock bit table (8272, section 'Program And Data Memory Lock Bits') has it.
    open.sim().edit(|contents| contents.lock = 0xFD);
    open.sync().expect("it is saved");
    drop(open);
    let taken = home.run("snapshot take --via sim:bench --json");
    taken.exits(0);
    let document = taken.json();
    assert_eq!(document["flash"]["read"], 0, "stand-in values are no contents");
    assert_eq!(document["snapshot"]["complete"], false);
}

#[test]
fn only_findings_that_ask_for_a_consent_can_be_accepted() {
    let home = Home::new();
    home.run("sim new bench --board vent").exits(0);
    for name in ["settings-lots", "wrong-chip"] {
        home.run(&format!("loader install --via sim:bench --yes --accept {name}")).exits(2).says("farrier explain");
    }
    home.run("loader install --via sim:bench --yes --accept settings-lost").exits(0);
}

#[test]
fn a_command_line_that_makes_no_sense_is_json_too_where_json_is_asked_for() {
    let home = Home::new();
    for line in ["inspect --json --no-such-option", "configure --json", "journal close x --json", "--json no-such-command"] {
        let ran = home.run(line);
        let told = ran.exits(2).json();
        assert_eq!(told["exit"], 2, "{line}");
        assert!(told["error"].as_str().is_some_and(|error| !error.is_empty() && !error.starts_with("error")), "{line}: {told}");
        assert_eq!(ran.err, "", "{line}");
    }
    home.run("--json --version").exits(0).says("farrier");
}

#[test]
fn a_board_whose_inputs_do_not_bear_the_bridges_level_is_not_touched() {
    let home = Home::new();
    home.run("sim new bench --board frost").exits(0);
    home.run("sim damage bench wrong-level=5000").exits(0);
    let application = home.file("application.hex", demo_application("frost"));
    let verify = format!("verify {} --via sim:bench", application.display());
    for line in ["inspect --via sim:bench", "snapshot take --via sim:bench", &verify, "loader install --via sim:bench --yes"] {
        home.run(line).exits(3).says("levels-differ").says("5.0 V");
        assert_eq!(home.export("bench").state["operations"], 0, "{line}: no line was driven");
    }
}
