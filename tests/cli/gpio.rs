//! `--via gpio:NAME`, as far as a computer without GPIO lines goes.

use super::Home;

const EXAMPLE: &str = include_str!("../../hardware-notes/gpio-bridge-example.toml");

fn write(home: &Home, name: &str, text: &str) {
    let folder = home.path().join("bridges");
    std::fs::create_dir_all(&folder).expect("a folder");
    std::fs::write(folder.join(name), text).expect("a file");
}

#[test]
fn a_name_without_a_file() {
    let home = Home::new();
    let ran = home.run("inspect --via gpio:bench --board frost");
    ran.exits(2);
    ran.says("bridges/bench.toml that describes GPIO lines");
    ran.says("hardware-notes/gpio-bridge.md");
    write(&home, "vent-side.toml", EXAMPLE);
    home.run("inspect --via gpio:bench --board frost").exits(2).says("There are: vent-side.");
}

#[test]
fn mistakes_are_told_with_their_places() {
    let home = Home::new();
    write(&home, "bench.toml", &EXAMPLE.replace("miso = 38", "miso = 36\nmosl = 1"));
    let ran = home.run("inspect --via gpio:bench --board frost");
    ran.exits(2);
    ran.says("bench.toml:11:8: `miso` is line 36, which `sck` is already");
    ran.says("bench.toml:12:1: [lines] has no key `mosl`; allowed: miso, mosi, reset or sck");
}

#[test]
fn a_chip_that_is_not_there() {
    let home = Home::new();
    write(&home, "bench.toml", &EXAMPLE.replace("/dev/gpiochip0", "/dev/no-such-gpiochip"));
    let path = format!("inspect --via gpio:{} --board frost", home.path().join("bridges/bench.toml").display());
    for line in ["inspect --via gpio:bench --board frost", &path] {
        let ran = home.run(line);
        ran.exits(4);
        ran.says("the GPIO chip /dev/no-such-gpiochip cannot be opened");
        ran.says("ls -l /dev/no-such-gpiochip");
    }
}

#[test]
fn bridges_lists_the_files_and_what_is_wrong_with_them() {
    let home = Home::new();
    write(&home, "bench.toml", EXAMPLE);
    write(&home, "wrong.toml", "summary = 7");
    let ran = home.run("bridges");
    ran.exits(0).says("gpio:bench").says("the lines beside the vent bench").says("--via gpio:bench").says("wrong.toml:1");
    // Asked, it is opened: a file that is there and is no GPIO chip is found out.
    write(&home, "file.toml", &EXAMPLE.replace("/dev/gpiochip0", &home.file("chip", b"").display().to_string()));
    home.run("bridges --ask gpio:file").exits(4).says("the GPIO chip").says("cannot be opened");
    home.run("inspect --board frost").exits(2).says("gpio:bench").says("sim:vent");
}
