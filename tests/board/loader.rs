//! The built-in loader made ready for a board, and what a board file may say of it.

use farrier::board::{Catalog, LoaderError, LoaderHold, LoaderParameters, is_loader, loader, read_board};
use farrier::image::Span;

const VENT: &str = include_str!("../../boards/demo/vent.toml");

/// The vent board with this under [reservation], and what it puts into its loader; or what is wrong.
fn with(lines: &str) -> Result<LoaderParameters, String> {
    let text = VENT.replace("loader = \"serial\"\n", &format!("loader = \"serial\"\n{lines}\n"));
    let (board, chip) = read_board(&text, |part| Catalog::built_in().chip(part).map_err(|error| error.to_string()))
        .map_err(|mistakes| mistakes.into_iter().map(|mistake| mistake.message).collect::<Vec<_>>().join("; "))?;
    let built = loader("serial", &board, &chip).map_err(|why| why.to_string())?;
    let block = built.image.filled(built.block, 0xFF);
    LoaderParameters::decode(&block.try_into().expect("64 bytes")).ok_or("no block".into())
}

#[test]
fn every_board_that_names_a_loader_has_one_that_begins_where_reset_goes() {
    let mut seen = 0;
    for listed in Catalog::built_in().boards() {
        let (board, chip) = listed.described.unwrap();
        let Some(reservation) = &board.reservation else { continue };
        let built = loader(reservation.loader.as_deref().unwrap(), &board, &chip).unwrap();
        let extent = built.image.extent().unwrap();
        assert_eq!(extent, reservation.span, "{}: from where reset goes to the end of the flash", board.name);
        assert!(built.speed.fits(), "{}: {built}", board.name);
        seen += 1;
    }
    assert!(seen >= 3);
}

#[test]
fn the_board_file_says_what_stands_in_the_block() {
    let parameters = with("").unwrap();
    // 16 MHz: a second is 15625 ticks of 1024 clocks; 38400 baud is 25 at the normal speed; four questions in two seconds.
    let numbers = (parameters.usart, parameters.divisor_high, parameters.divisor, parameters.double_speed);
    assert_eq!(numbers, (0xC0, 0xC5, 25, false));
    assert_eq!((parameters.second, parameters.half, parameters.wait, parameters.prompts), (15_625, 7_812, 7_812, 4));
    assert_eq!((parameters.room, parameters.hold), (1008, None));
    assert_eq!(parameters.greeting, "farrier vent\r\n");
}

#[test]
fn usart_speed_and_pin_can_be_chosen() {
    let parameters = with("usart = 1\nbaud = 57_600\nhold_pin = \"PB3\"\nhold_level = \"high\"").unwrap();
    let numbers = (parameters.usart, parameters.divisor_high, parameters.divisor, parameters.double_speed);
    assert_eq!(numbers, (0xC8, 0xCD, 34, true));
    assert_eq!(parameters.hold, Some(LoaderHold { register: 0x23, bit: 3, low: false }));
    assert_eq!(with("hold_pin = \"PD2\"").unwrap().hold, Some(LoaderHold { register: 0x29, bit: 2, low: true }));
}

#[test]
fn what_the_chip_does_not_have_is_a_mistake() {
    for (lines, says) in [
        ("usart = 2", "the ATmega1284P has no USART 2; it has 0 or 1"),
        ("hold_pin = \"PE1\"", "`hold_pin` must be a pin of port A, B, C or D, such as \"PA0\"; found \"PE1\""),
        ("hold_pin = \"PB8\"", "`hold_pin`"),
        ("hold_level = \"up\"", "`hold_level`"),
        ("baud = 0", "`baud`"),
    ] {
        let found = with(lines).expect_err(lines);
        assert!(found.contains(says), "{lines}: {found}");
    }
    let hasty = VENT.replace("start_delay_ms = 2_000", "start_delay_ms = 20");
    let found = read_board(&hasty, |part| Catalog::built_in().chip(part).map_err(|error| error.to_string())).unwrap_err();
    assert!(found[0].message.contains("at least 50"), "{found:?}");
}

#[test]
fn a_loader_of_an_unknown_name_or_without_a_place_is_none() {
    let (mut board, chip) = Catalog::built_in().board("vent").unwrap();
    for name in ["", "serial-none", "../demo/vent", "chips"] {
        assert!(!is_loader(name));
        assert!(matches!(loader(name, &board, &chip), Err(LoaderError::Unknown(_))), "{name}");
    }
    let end = chip.flash_span().end();
    board.reservation.as_mut().unwrap().span = Span::sized(farrier::image::ByteAddress(end.0 - 1024), 1024).unwrap();
    assert!(matches!(loader("serial", &board, &chip), Err(LoaderError::NoRoom { found: 1024, .. })));
    board.reservation = None;
    assert!(matches!(loader("serial", &board, &chip), Err(LoaderError::NoReservation(_))));
}
