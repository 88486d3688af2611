//! `write --way fitted-loader` and `--watch`, as far as they come without a port.

use super::Home;
use super::loader::demo_application;

fn home() -> Home {
    let home = Home::new();
    home.file("vent.hex", demo_application("vent"));
    home
}

#[test]
fn what_can_be_known_beforehand_stops_it_before_the_port_is_touched() {
    let home = home();
    let write = "write vent.hex --way fitted-loader --board vent";
    home.run(write).exits(3).says("consent is missing for no-snapshot-possible").says("there will be no way back");
    home.run(&format!("{write} --accept no-snapshot-possible")).exits(3).says("nobody is here to say yes");
    home.run(&format!("{write} --accept no-snapshot-possible --yes")).exits(2).says("Give --via PORT");
    home.run(&format!("{write} --accept no-snapshot-possible --yes --via sim:vent")).exits(2).says("sim:vent is no serial port of a board");
    home.run(&format!("{write} --accept no-snapshot-possible --yes --via /dev/nowhere")).exits(4);
    home.run(&format!("{write} --dry-run")).exits(0).says("at 38400 baud: 310 bytes").says("nothing was changed");
    home.run("write vent.hex --way fitted-loader").exits(2).says("Give --board NAME");
    home.run("write vent.hex --way fitted-loader --board generic-atmega1284p").exits(2).says("reserves no flash for a loader");
    home.run(&format!("{write} --rehearse")).exits(2).says("neither rehearsed nor planned");
    let big = vec![0x11; 0x1F801];
    home.file("big.bin", &big);
    home.run("write big.bin --at 0 --way fitted-loader --board vent").exits(3).says("image-overlaps-loader");
}

#[test]
fn watching_needs_a_port_and_a_board_that_runs_firmware() {
    let home = home();
    home.run("write vent.hex --via sim:vent --yes --watch").exits(2).says("runs no firmware").says("Nothing was changed");
    home.run("write vent.hex --via sim:vent --yes --watch 0").exits(2).says("from 1 to 3600");
    home.run("inspect --via sim:vent --watch").exits(2).says("does not take --watch");
}
