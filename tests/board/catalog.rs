//! What is built in.

use farrier::board::Catalog;

#[test]
fn every_built_in_board_is_sound() {
    let boards = Catalog::built_in().boards();
    let names: Vec<&str> = boards.iter().map(|listed| listed.name.as_str()).collect();
    assert_eq!(names, ["frost", "pump", "vent", "generic-atmega1284p", "generic-atmega2560", "generic-atmega328p"]);
    for listed in &boards {
        let (board, chip) = listed.described.as_ref().unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(board.name, listed.name);
        assert_eq!(board.chip, chip.part);
    }
}
