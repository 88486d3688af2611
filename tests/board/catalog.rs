//! What is built in.

use farrier::board::{
    Catalog, CatalogError, FROM_MEMORY, Fact, Origin, Role, generic_board, known_chips, read_board, read_chip, refused_chips,
};
use farrier::cli::boards::list;
use farrier::reader::FileError;

#[test]
fn every_built_in_board_is_sound() {
    let boards = Catalog::built_in().boards();
    let names: Vec<&str> = boards.iter().map(|listed| listed.name.as_str()).collect();
    assert_eq!(names, ["frost", "pump", "vent", "bridge-atmega328p"]);
    for listed in &boards {
        let (board, chip) = listed.described.as_ref().unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(board.name, listed.name);
        assert_eq!(board.chip, chip.part);
    }
}

fn own(files: &[(&str, &str)]) -> (tempfile::TempDir, Catalog) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("chips")).unwrap();
    for (name, text) in files {
        std::fs::write(folder.path().join(name), text).unwrap();
    }
    let catalog = Catalog::with_folder(folder.path());
    (folder, catalog)
}

const LEAST: &str = include_str!("samples/valid/board-least.toml");
const CHIP: &str = include_str!("samples/valid/chip-plain.toml");

#[test]
fn own_boards_stand_beside_the_built_in_ones() {
    let (_folder, catalog) = own(&[("least.toml", LEAST), ("notes.txt", "not a board"), ("Capital.toml", LEAST)]);
    assert_eq!(catalog.board("least").unwrap().0.summary, "a bench board");
    assert_eq!(catalog.board("vent").unwrap().1.part, "ATmega1284P");
    assert_eq!(catalog.names()[..3], ["least", "frost", "pump"]);
}

#[test]
fn an_own_board_hides_a_built_in_one_of_the_same_name() {
    let mine = LEAST.replace("\"least\"", "\"vent\"");
    let (_folder, catalog) = own(&[("vent.toml", &mine)]);
    assert_eq!(catalog.board("vent").unwrap().1.part, "ATmega328P");
    let listed = catalog.boards();
    assert_eq!(listed.iter().filter(|listed| listed.name == "vent").count(), 1);
    assert!(matches!(&listed[0].origin, Origin::File(path) if path.ends_with("vent.toml")));
}

#[test]
fn an_own_chip_serves_an_own_board() {
    let board = LEAST.replace("ATmega328P", "Sample8").replace("source_hz = 8_000_000\nhz = 1_000_000", "hz = 8_000_000");
    let (_folder, catalog) = own(&[("least.toml", &board), ("chips/sample8.toml", CHIP)]);
    assert_eq!(catalog.board("least").unwrap().1.part, "Sample8");
    let unknown = catalog.chip("Sample9").unwrap_err().to_string();
    assert!(unknown.starts_with("there is no chip file for \"Sample9\"; near it: sample8; "), "{unknown}");
}

#[test]
fn a_broken_own_board_is_listed_with_its_mistakes_and_harms_no_other() {
    let (_folder, catalog) = own(&[("bad.toml", "name = 1\n"), ("least.toml", LEAST)]);
    let listed = catalog.boards();
    assert_eq!(listed.iter().filter(|listed| listed.described.is_err()).count(), 1);
    assert!(matches!(&listed[0].described, Err(CatalogError::File(FileError::Mistakes { mistakes, .. })) if mistakes.len() > 1));
    assert!(list(&listed, 1).contains("bad                has mistakes: farrier boards check "));
}

#[test]
fn a_board_by_its_path() {
    let (folder, catalog) = own(&[("renamed.toml", LEAST)]);
    let path = folder.path().join("renamed.toml");
    assert_eq!(catalog.board(path.to_str().unwrap()).unwrap().0.name, "least");
    // By name, the file must hold what its name says.
    let error = catalog.board("renamed").unwrap_err().to_string();
    assert!(error.contains("calls its board \"least\""), "{error}");
}

#[test]
fn what_is_no_description_says_so() {
    let (folder, catalog) = own(&[]);
    let said = |name: &str, bytes: &[u8]| {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        catalog.board(path.to_str().unwrap()).unwrap_err().to_string()
    };
    assert!(said("bytes.toml", &[0xFF, 0xFE, 0x00]).ends_with("it is not UTF-8 text"));
    assert!(said("large.toml", &vec![b'#'; 1024 * 1024 + 1]).ends_with("it is larger than 1 MiB"));
    let folder_error = catalog.board(&format!("{}/", folder.path().display())).unwrap_err().to_string();
    assert!(folder_error.ends_with("it is a folder or a device"), "{folder_error}");
    assert!(matches!(catalog.board("none.toml"), Err(CatalogError::File(FileError::Unreadable { .. }))));
}

#[test]
fn names_do_not_leave_the_folder() {
    let (folder, catalog) = own(&[]);
    std::fs::write(folder.path().join("chips/outside.toml"), CHIP).unwrap();
    for part in ["../chips/outside", "chips/outside", "", "."] {
        assert!(matches!(catalog.chip(part), Err(CatalogError::UnknownChip { .. })), "{part}");
    }
    assert!(matches!(catalog.board(""), Err(CatalogError::UnknownBoard { .. })));
    let error = catalog.board("bent").unwrap_err().to_string();
    assert!(error.starts_with("there is no board \"bent\"; there are: frost, pump, vent or bridge-atmega328p\n"), "{error}");
}

#[test]
fn a_missing_folder_is_an_empty_one() {
    let catalog = Catalog::with_folder("/no/such/folder");
    assert_eq!(catalog.boards().len(), 4);
}

/// The index, the chip files and the generic boards are the same chips, and each is sound.
#[test]
fn every_chip_of_the_index_has_a_file_and_a_generic_board() {
    let catalog = Catalog::built_in();
    let files = std::fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/boards/chips")).unwrap().count();
    assert_eq!(known_chips().count(), files);
    for (id, part) in known_chips() {
        let (board, chip) = catalog.board(&generic_board(part)).unwrap_or_else(|error| panic!("{part}: {error}"));
        assert_eq!((chip.part.as_str(), chip.id), (part, id));
        assert_eq!((board.name.as_str(), board.generic), (generic_board(part).as_str(), true));
        assert!(chip.system_clock(&board, &chip.factory_configuration()).is_some(), "{part} has no clock as shipped");
        assert!(catalog.parts_with_id(id).contains(&part.to_string()), "{part}");
    }
    println!("{files} chips");
}

/// What the pages say of how many chips there are, and how many have the loader; three of them are those of the demo boards.
#[test]
fn the_pages_count_the_chips() {
    let (readme, changes) = (include_str!("../../README.md"), include_str!("../../CHANGELOG.md"));
    let loaders = include_str!("../../boards/loaders/serial/parts.csv").lines().filter(|line| !line.starts_with('#')).count();
    let (chips, refused) = (known_chips().count(), refused_chips().len());
    for (page, sentence) in [
        (readme, format!("any of {chips} 8-bit AVR chips")),
        (readme, format!("| {} more chips (`farrier boards chips`): write, verify, configure; on {} of them", chips - 3, loaders - 3)),
        (changes, format!("Knows {chips} chips, and {refused} more by name")),
        (changes, format!("A built-in serial loader for {loaders} chips")),
    ] {
        assert!(page.contains(&sentence), "{sentence}");
    }
}

/// What stands in a chip file as from memory is what screens say of it.
#[test]
fn what_a_chip_file_has_from_memory_is_marked() {
    let mut marked = 0;
    for (_, part) in known_chips() {
        let file = format!("{}/boards/chips/{}.toml", env!("CARGO_MANIFEST_DIR"), part.to_ascii_lowercase());
        let text = std::fs::read_to_string(file).unwrap();
        // A description that is not the vendor's, or that of a near relative, says nothing of the part that is not from memory.
        let ours = text.contains("a description of our own,") || text.contains("its likeness in that is from memory");
        let tables: Vec<&str> = text
            .split(
                "

",
            )
            .collect();
        let remembered = |table: &str| tables.iter().any(|of| of.contains(table) && of.contains("from memory"));
        let chip = Catalog::built_in().chip(part).unwrap();
        let clock = tables.iter().any(|of| of.contains("role = \"clock\"") && of.contains("[A]; from memory"));
        let kin = text.contains("its likeness in that is from memory");
        assert_eq!(chip.from_memory.contains(&Fact::Clock), clock || kin || remembered("[own_clock]"), "{part}");
        assert_eq!(chip.from_memory.contains(&Fact::Supply), ours || remembered("[supply]"), "{part}");
        assert_eq!(chip.from_memory.contains(&Fact::Fastest), ours || remembered("fastest_hz"), "{part}");
        assert_eq!(chip.from_memory.contains(&Fact::BootSections), ours && !chip.boot_sections.is_empty(), "{part}");
        let clocks = chip.fields.iter().filter(|field| field.role == Some(Role::Clock)).flat_map(|field| &field.values);
        assert!(clocks.clone().all(|value| value.words.ends_with(FROM_MEMORY) == chip.from_memory.contains(&Fact::Clock)), "{part}");
        marked += usize::from(!chip.from_memory.is_empty());
    }
    assert!((20..120).contains(&marked), "{marked}");
}

#[test]
fn an_id_that_several_parts_have_names_them_all() {
    let catalog = Catalog::built_in();
    assert_eq!(catalog.parts_with_id([0x1E, 0x91, 0x0A]), ["ATtiny2313", "ATtiny2313A"]);
    assert_eq!(catalog.parts_with_id([0x1E, 0x98, 0x01]), ["ATmega2560"]);
    assert!(catalog.parts_with_id([0x1E, 0x90, 0x01]).is_empty());
}

#[test]
fn parts_that_are_refused_are_known_with_their_reason() {
    let catalog = Catalog::built_in();
    assert!(refused_chips().len() > 30);
    for refused in refused_chips() {
        let error = catalog.chip(&refused.part).unwrap_err().to_string();
        assert!(matches!(catalog.chip(&refused.part), Err(CatalogError::RefusedChip { .. })), "{error}");
        assert!(known_chips().all(|(_, part)| part != refused.part), "{} has a chip file", refused.part);
    }
    let error = catalog.board("generic-attiny12").unwrap_err().to_string();
    assert_eq!(
        error,
        "farrier knows the ATtiny12 and does not program it, because it writes its flash byte by byte, which farrier does not do"
    );
}

/// The page about the language names every key, as the readers ask for them: a file with one unknown key gets them all told.
#[test]
fn the_page_names_every_key() {
    let page = include_str!("../../boards/README.md");
    let allowed = |text: &str, chip: bool| {
        let catalog = Catalog::built_in();
        let mistakes = match chip {
            true => read_chip(text).unwrap_err(),
            false => read_board(text, |part| catalog.chip(part).map_err(|error| error.to_string())).unwrap_err(),
        };
        let lists = mistakes.into_iter().filter_map(|mistake| Some(mistake.message.split_once("allowed: ")?.1.to_string()));
        lists.flat_map(|list| list.replace(" or ", ", ").split(", ").map(str::to_string).collect::<Vec<_>>()).collect::<Vec<_>>()
    };
    // An unknown key after every table header, so that each table tells its keys.
    let spoiled = |text: &str| {
        let line = |line: &str| if line.starts_with('[') { format!("{line}\nx = 1\n") } else { format!("{line}\n") };
        format!("x = 1\n{}", text.lines().map(line).collect::<String>())
    };
    let board =
        include_str!("../../boards/demo/vent.toml").replace("[expected_configuration]", "[[unused]]").replace("[expected_lock]", "[[u2]]");
    let chip = include_str!("../../boards/chips/atmega328p.toml").replace("[ways_in.pins]", "[[unused]]");
    let keys: Vec<String> = allowed(&spoiled(&board), false).into_iter().chain(allowed(&spoiled(&chip), true)).collect();
    assert!(keys.len() > 50, "{keys:?}");
    for key in keys {
        let forms = [format!("`{key}`"), format!("[{key}]"), format!("[{key}."), format!(".{key}]")];
        assert!(forms.iter().any(|form| page.contains(form)), "{key}");
    }
}
