//! `boards new`: from a chip that nobody has described to a board that other commands take.

use super::Home;

const FROM_MEMORY: &str = "(from memory, not checked against the datasheet)";

#[test]
fn a_chip_that_is_read_becomes_a_board() {
    let home = Home::new();
    home.run("boards new kiln --via sim:vent").exits(0).says("of its values were read").says("Next: farrier boards show kiln");
    let file = std::fs::read_to_string(home.path().join("boards/kiln.toml")).expect("the file");
    assert!(file.contains("chip = \"ATmega1284P\" # read: ID 1E 97 05"), "{file}");
    // The chip tells which of its clocks it runs on, and not how fast that is.
    for line in ["source = \"internal\" # read", "source_hz = 8000000 # assumed: from the chip file", "brown-out = \"off\" # read"] {
        assert!(file.contains(&format!("\n{line}")), "{line}\n{file}");
    }
    assert!(file.contains("\nhz = 1000000 # assumed: from the chip file\n"), "{file}");
    home.run("boards new warm --via sim:vent --hz 1MHz").exits(0);
    let told = std::fs::read_to_string(home.path().join("boards/warm.toml")).expect("the file");
    assert!(told.contains("\nhz = 1000000 # told\n") && told.contains("source = \"internal\" # read"), "{told}");
    home.run("boards show kiln").exits(0).says("kiln: a board with an ATmega1284P");
    home.run(&format!("boards check {}", home.path().join("boards/kiln.toml").display())).exits(0).says("is right");
    home.run("inspect --board kiln --via sim:vent").exits(0).says("kiln (ATmega1284P), named by --board");
    assert_eq!(home.run("journal --json").json()["jobs"].as_array().map(Vec::len), Some(0), "nothing was changed");
    home.run("boards new kiln --via sim:vent").exits(2).says("there is a board kiln already");
}

/// Of a clock that no fuse chooses nothing is read but whether it is divided.
#[test]
fn a_clock_that_no_fuse_chooses_is_the_chip_files_and_not_read() {
    let home = Home::new();
    home.run("sim new bare --board generic-ata5795").exits(0);
    home.run("boards new fob --via sim:bare").exits(0);
    let file = std::fs::read_to_string(home.path().join("boards/fob.toml")).expect("the file");
    for line in ["source = \"internal\"", "source_hz = 4000000", "hz = 500000"] {
        assert!(
            file.contains(&format!("\n{line} # assumed: from the chip file, and no fuse chooses it {FROM_MEMORY}\n")),
            "{line}\n{file}"
        );
    }
    assert!(file.contains("clock-divider = \"on\" # read"), "{file}");
}

#[test]
fn what_is_told_stands_in_the_file() {
    let home = Home::new();
    let told = [
        "boards",
        "new",
        "kiln",
        "--chip",
        "atmega328p",
        "--clock",
        "crystal",
        "--hz",
        "20MHz",
        "--reserve",
        "1024",
        "--drives",
        "a \"big\" heater",
    ];
    let output = home.command().args(told).args(["--to", "kiln.toml", "--json"]).output().expect("the program");
    assert!(output.status.success(), "{output:?}");
    let file = std::fs::read_to_string(home.path().join("kiln.toml")).expect("the file");
    for line in ["hz = 20000000 # told", "start = 0x07C00 # told", "keep-eeprom = \"on\" # assumed"] {
        assert!(file.contains(line), "{line}\n{file}");
    }
    home.run("boards check kiln.toml").exits(0);
    home.run("boards show kiln.toml").exits(0).says("It drives a \"big\" heater");
}

#[test]
fn what_is_missing_or_impossible_is_said_and_nothing_is_written() {
    let home = Home::new();
    home.run("boards new kiln").exits(2).says("farrier boards new kiln --chip PART");
    home.run("boards new kiln --via sim:vent --clock crystal").exits(2).says("--hz 16MHz");
    home.run("boards new kiln --chip ATmega1284P").exits(2).says("--clock crystal --hz 16MHz");
    home.run("boards new kiln --chip ATmega1284P --clock crystal --hz 32MHz").exits(2).says("cannot be set to that clock");
    home.run("boards new kiln --chip ATmega1284P --clock internal --hz 2MHz").exits(2).says("its own give 128 kHz, 16 kHz, 8 MHz, 1 MHz");
    home.run("boards new kiln --via sim:vent --reserve 3000").exits(2).says("no boot section of 3000 bytes; it has: 1024, 2048");
    home.run("boards new kiln --chip ATtiny13").exits(2).says("--clock internal --hz 128kHz");
    home.run("boards new kiln --chip ATtiny13 --clock crystal --hz 16MHz").exits(2).says("it can run at 128 kHz, 16 kHz, 9.6 MHz");
    home.run("boards new kiln --via sim:vent --settings 5000")
        .exits(2)
        .says("--settings 5000: '5000' is no number of bytes from 0 to 4096");
    home.run("boards new Kiln --via sim:vent").exits(2).says("small letters");
    home.run("boards new vent --via sim:vent").exits(2).says("there is a board vent already");
    assert!(!home.path().join("boards").exists());
}

/// A chip that no demo board has, at 20 MHz: described, fitted with a loader, freed of it again.
#[test]
fn from_a_chip_to_a_loader_and_back() {
    let home = Home::new();
    home.run("sim new bare --board generic-atmega644p").exits(0);
    home.run("boards new kiln --via sim:bare").exits(2).says("There are: ATmega644P, ATmega644PA").says("--chip ATmega644P");
    home.run("boards new kiln --via sim:bare --chip ATmega328P")
        .exits(2)
        .says("is that of ATmega644P and ATmega644PA, and not of ATmega328P");
    let told = "--clock crystal --hz 20MHz --reserve 2048 --baud 57600";
    home.run(&format!("boards new kiln --via sim:bare --chip ATmega644P {told}")).exits(0);
    // The ID is that of two parts, so which it is was told.
    let file = std::fs::read_to_string(home.path().join("boards/kiln.toml")).expect("the file");
    assert!(file.contains("chip = \"ATmega644P\" # told: ID 1E 96 0A was read\n"), "{file}");
    home.run("boards show kiln").exits(0).says("loader for 20 MHz, UART0, 57600 baud");
    home.run("sim new bench --board kiln").exits(0);
    home.run("loader install --via sim:bench --yes").exits(0).says("loader for 20 MHz, UART0, 57600 baud");
    home.run("inspect --via sim:bench").exits(0).says("every byte as built in");
    home.run("loader remove --via sim:bench --yes").exits(3).says("Gained: 2048 bytes of flash for the application").says("2 s sooner");
    home.run("loader remove --via sim:bench --yes --accept loader-removed --accept reset-into-empty-flash")
        .exits(0)
        .says("The loader is removed");
    home.run("boards new oven --chip ATmega644P --clock crystal --hz 20MHz --reserve 1024").exits(0).says("so the file names no loader");
}

/// A 5 V bridge on a chip that bears 3.6 V would end it; so no board file may say 5 V of one, least of all one that farrier made.
#[test]
fn the_supply_is_one_that_the_chip_bears() {
    let home = Home::new();
    let told = "boards new hut --chip ATmega128RFR2 --clock crystal --hz 16MHz";
    home.run(&format!("{told} --supply 5")).exits(2).says("the ATmega128RFR2 needs 1.8 V to 3.6 V, and not 5.0 V");
    home.run(told).exits(0);
    let file = std::fs::read_to_string(home.path().join("boards/hut.toml")).expect("the file");
    for line in ["most_mv = 3600 # assumed: what the chip bears", "signal_mv = 3300 # assumed"] {
        assert!(file.contains(line), "{line}\n{file}");
    }
    home.run("boards check hut").exits(0).says("is right");
}

/// Some chips are shipped with the quick start of a resonator, which a crystal need not bear.
#[test]
fn a_crystal_gets_the_start_of_a_crystal_where_the_chip_is_as_shipped() {
    let home = Home::new();
    home.run("boards new gate --chip AT90USB1287 --clock crystal --hz 8MHz --reserve 0").exits(0);
    home.run("sim new bench --board gate").exits(0);
    home.run("boards new same --via sim:bench --chip AT90USB1287 --clock crystal --hz 8MHz --reserve 0").exits(0);
    home.run("configure jtag=off --via sim:bench --yes").exits(0);
    home.run("boards new used --via sim:bench --chip AT90USB1287 --clock crystal --hz 8MHz --reserve 0").exits(0);
    for (name, clock, start_up) in [
        ("gate", "\"crystal-8-to-16-mhz\" # told", "\"sut-11\""),
        ("same", "\"crystal-8-to-16-mhz\" # told", "\"sut-11\""),
        ("used", "\"crystal-8-to-16-mhz-quick\" # read", "\"sut-01\""),
    ] {
        let file = std::fs::read_to_string(home.path().join(format!("boards/{name}.toml"))).expect("the file");
        assert!(file.contains(&format!("clock = {clock}")) && file.contains(&format!("start-up = {start_up}")), "{name}\n{file}");
    }
}

/// Old chips drive a crystal above 8 MHz only with the full swing: it is chosen before the crystal, or the chip might not come back.
#[test]
fn a_fast_crystal_gets_its_full_swing_first() {
    let home = Home::new();
    home.run("boards new hut --chip ATmega8 --clock crystal --hz 16MHz --reserve 2048").exits(0);
    home.run("sim new bench --board hut").exits(0);
    let plan = home.run("loader install --via sim:bench --dry-run");
    let at = |step: &str| plan.out.find(step).unwrap_or_else(|| panic!("{step}\n{}", plan.out));
    let (swing, crystal, entry) = (at("set configuration high to 0xC9"), at("set configuration low to 0xFF"), at("leave and enter again"));
    assert!(swing < crystal && crystal < entry && entry < at("set configuration high to 0xC0"), "{}", plan.out);
    home.run("loader install --via sim:bench --yes").exits(0);
    home.run("inspect --via sim:bench").exits(0).says("crystal-swing        full");
    // A slow crystal needs none.
    home.run("boards new shed --chip ATmega8 --clock crystal --hz 4MHz").exits(0);
    let file = std::fs::read_to_string(home.path().join("boards/shed.toml")).expect("the file");
    assert!(!file.contains("crystal-swing"), "{file}");
}

/// An ATmega128 is shipped so that it behaves like an ATmega103, for which neither our loader nor usual firmware is made.
#[test]
fn a_chip_that_is_shipped_as_an_older_one_is_set_to_be_itself() {
    let home = Home::new();
    home.run("sim new bare --board generic-atmega128").exits(0);
    home.run("boards new mast --via sim:bare --chip ATmega128 --clock crystal --hz 16MHz").exits(0);
    let file = std::fs::read_to_string(home.path().join("boards/mast.toml")).expect("the file");
    let line = "old-part-mode = \"off\" # assumed: the chip is what it is called";
    assert!(file.contains(line), "{file}");
    home.run("sim new bench --board mast").exits(0);
    home.run("loader install --via sim:bench --yes").exits(0);
    assert_eq!(home.export("bench").state["fuses"]["extended"], 0xFF);
    home.file("wrong.toml", file.replace(line, "old-part-mode = \"on\"").as_bytes());
    home.run("boards check wrong.toml").exits(2).says("must have `old-part-mode = \"off\"`");
    // Who writes without a loader is told.
    home.file("mast.bin", &[0x0C, 0x94, 0x02, 0x00, 0xFF, 0xCF]);
    home.run("write mast.bin --at 0 --via sim:bare --yes").exits(0).says("note: old-part-mode").says("configure old-part-mode=off");
    // One in use stays what its firmware may need.
    home.run("boards new old --via sim:bare --chip ATmega128 --reserve 0").exits(0);
    home.run("configure jtag=off --via sim:bare --yes").exits(0);
    home.run("boards new used --via sim:bare --chip ATmega128 --reserve 0").exits(0);
    for (name, mode) in [("old", "\"off\" # assumed"), ("used", "\"on\" # read")] {
        let file = std::fs::read_to_string(home.path().join(format!("boards/{name}.toml"))).expect("the file");
        assert!(file.contains(&format!("old-part-mode = {mode}")), "{file}");
    }
}

#[test]
fn what_a_chip_without_boot_section_cannot_have_is_said() {
    let home = Home::new();
    let told = "boards new lamp --chip ATtiny84 --clock internal --hz 8MHz";
    home.run(&format!("{told} --reserve 2048")).exits(2).says("so 2048 bytes cannot be reserved for a loader");
    home.run(&format!("{told} --reserve 0")).exits(0);
    home.run("boards show lamp").exits(0).says("Configuration as it should be");
    home.run("sim new bench --board lamp").exits(0);
    // What the board file expects is set by the command that the screen names.
    let configure = "configure clock-divider=off keep-eeprom=on --via sim:bench";
    home.run("inspect --via sim:bench").exits(0).says(&format!("farrier {configure}"));
    home.run(&format!("{configure} --yes")).exits(0);
    assert!(!home.run("inspect --via sim:bench").exits(0).out.contains("farrier configure"));
    home.run("loader install --via sim:bench").exits(2).says("farrier write APPLICATION --via sim:bench");
    home.run("loader remove --via sim:bench").exits(2).says("no loader that could be").says("farrier inspect --via sim:bench");
    home.file("my lamp.bin", &[0x00, 0xC0, 0x00, 0x00]);
    let through_loader = ["write", "my lamp.bin", "--at", "0", "--way", "fitted-loader", "--board", "lamp", "--via", "/dev/nowhere"];
    let refused = home.command().args(through_loader).output().expect("the program");
    let said = String::from_utf8_lossy(&refused.stderr);
    assert!(refused.status.code() == Some(2) && said.contains("farrier write 'my lamp.bin' --board lamp --via WHERE"), "{said}");
    // An image that was built for a chip with long jumps.
    home.file("long.bin", &[0x0C, 0x94, 0x02, 0x00, 0xFF, 0xCF]);
    home.run("write long.bin --at 0 --via sim:bench --yes")
        .exits(3)
        .says("image-may-not-start")
        .says("there is JMP (0x940C), an instruction that this chip does not have");
    home.run("sim new bare --board generic-atmega16").exits(0);
    home.run("loader install --via sim:bare").exits(2).says("farrier boards new NAME --via sim:bare");
}

#[test]
fn a_board_is_named_where_its_chip_or_its_name_is_given() {
    let home = Home::new();
    home.run("boards show ATmega8").exits(2).says("generic-atmega8, and so on");
    home.run("boards check hut").exits(2).says("there is no board \"hut\"");
    home.run("boards new hut --chip ATmega8 --clock crystal").exits(2).says("--hz 16MHz");
    // Neither bears a crystal of 16 MHz.
    for part in ["ATmega161", "AT90SCR100"] {
        home.run(&format!("boards new hut --chip {part} --clock crystal")).exits(2).says("--clock crystal --hz 8MHz");
    }
    home.run("boards new lamp --chip ATtiny13 --clock internal --hz 1.2MHz").exits(0);
    let file = std::fs::read_to_string(home.path().join("boards/lamp.toml")).expect("the file");
    for line in ["source_hz = 9600000 # assumed: from the chip file", "hz = 1200000 # told", "clock-divider = \"on\" # told"] {
        assert!(file.contains(&format!("\n{line}")), "{line}\n{file}");
    }
    // Where the range is from memory, the refusal says so; of a chip whose description is the vendor's it has no need to.
    let mark = FROM_MEMORY;
    home.run("boards new hut --chip ATmega161 --clock crystal --hz 16MHz").exits(2).says(&format!("it can run at 1 MHz to 8 MHz {mark}"));
    home.run("boards new hut --chip ATmega161 --clock crystal --hz 4MHz --supply 3.3").exits(2).says(&format!("4.0 V to 5.5 V {mark}"));
    home.run("boards new hut --chip ATA6285 --clock internal --hz 2MHz")
        .exits(2)
        .says(&format!("its own give 4 MHz, 500 kHz, 1 MHz, 125 kHz {mark}"));
    home.run("boards new hut --chip ATmega16HVA2 --clock internal --hz 4MHz").exits(2).says(&format!("its own give 8 MHz {mark}"));
    assert!(!home.run("boards new hut --chip ATmega328P --clock internal --hz 4MHz").exits(2).err.contains("from memory"));
    home.run("boards show generic-ata6285").exits(0).says(&format!("125 kHz, the chip's own oscillator of 1 MHz divided {mark}"));
    // A signal on the clock pin is one that the chip bears.
    for (part, hz, range) in
        [("ATmega161", "20MHz", "4.096 kHz to 8 MHz"), ("ATmega163", "1Hz", "4.096 kHz to 8 MHz"), ("ATmega328P", "24MHz", "to 20 MHz,")]
    {
        home.run(&format!("boards new hut --chip {part} --clock external --hz {hz}"))
            .exits(2)
            .says(range)
            .says(&format!("for the {part} may be of"));
    }
    home.run("boards new pulse --chip ATmega161 --clock external --hz 8MHz").exits(0);
    // Only one thing can run it, so only how fast is open.
    home.run("boards new hut --chip ATA5795").exits(2).says("farrier boards new hut --chip ATA5795 --hz 4MHz");
}

#[test]
fn a_blank_chip_without_room_for_a_loader_is_offered_an_application() {
    let home = Home::new();
    home.run("sim new lamp --board generic-attiny13").exits(0);
    home.run("revive --via sim:lamp").exits(0).says("as-shipped").says("Next: farrier write APPLICATION --via sim:lamp");
    home.run("inspect --via sim:cut").exits(2).says("farrier sim new cut --board vent");
    let next = "farrier revive --via sim:cut";
    home.run("sim new cut --board vent --bricked open-miso").exits(0).says(next);
    home.run("sim new joined --board vent --bricked joined-data").exits(0);
    home.run("revive --via sim:joined").exits(4).says("farrier sim repair joined").says(&next.replace("cut", "joined"));
    home.run("sim new held --board vent --bricked held-reset").exits(0);
    home.run("revive --via sim:held").exits(4).says("farrier sim repair held");
    // A silent chip gets a clock from the bridge first.
    home.run("sim new dull --board generic-attiny13 --bricked open-miso").exits(0);
    home.run("revive --via sim:dull").exits(4).says("farrier revive --via sim:dull --clock-output");
    home.run("revive --via sim:dull --clock-output").exits(4).says("farrier sim repair dull");
    home.run("sim reveal cut").exits(0).says("Next: farrier sim repair cut");
    home.run("sim repair cut").exits(0);
    home.run("inspect --via sim:cut").exits(0);
}
