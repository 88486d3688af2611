//! A boot section of another size than the loader needs, and loaders that are not the built-in one: what the flash, the journal and a
//! snapshot tell of where a loader begins, and that no sentence speaks against another.

use super::{Given, diagnosed_of, kinds, read, used_of, vent};
use farrier::board::{Board, Catalog, Chip};
use farrier::diagnosis::{Diagnosis, From, Kept, Known};
use farrier::image::{ByteAddress, Image};
use farrier::plan::{ApplicationIntent, LoaderIntent, Observed};

/// A vent whose board file names no built-in loader: its 2048 bytes belong to somebody's own.
fn own() -> (Board, Chip) {
    let (mut board, chip) = vent();
    if let Some(reservation) = &mut board.reservation {
        reservation.loader = None;
    }
    (board, chip)
}

const RESERVED: u32 = 0x1_F800;

fn set(mut observed: Observed, field: &str, value: &str) -> Observed {
    let (_, chip) = vent();
    let field = chip.field(field).expect("a field");
    field.set(observed.configuration.as_mut().expect("read"), field.value(value).expect("a value").bits);
    observed
}

fn small(observed: Observed) -> Observed {
    set(observed, "boot-section", "1024-bytes")
}

fn with_flash(mut observed: Observed, at: u32, bytes: &[u8]) -> Observed {
    observed.flash.bytes.overwrite(ByteAddress(at), bytes);
    observed
}

/// Code without a vector table, as long as it is told: it clears the status register and goes on with anything.
fn code(bytes: usize) -> Vec<u8> {
    let mut random = fastrand::Rng::with_seed(8);
    [0x11, 0x24, 0x1F, 0xBE].into_iter().chain(std::iter::repeat_with(|| random.u8(..0xFF))).take(bytes).collect()
}

/// Every place that a sentence says reset leads to or starts is the one that it does lead to.
fn diagnosed(of: &(Board, Chip), observed: Observed, given: Given) -> Diagnosis {
    let leads_to = of.1.started_section(observed.configuration.as_deref().expect("read")).map_or(0, |section| section.start().0);
    let told = diagnosed_of(of, read(observed), given);
    let sentences = told.causes.iter().flat_map(|cause| cause.could_be.iter().chain([&cause.sentence]));
    for sentence in sentences.chain(told.rungs.iter().map(|rung| &rung.seen)) {
        for phrase in ["eset leads to ", "eset starts at "] {
            let said = sentence.split(phrase).nth(1).and_then(|rest| rest.strip_prefix("0x")).map(|rest| &rest[..5]);
            assert!(said.is_none_or(|said| u32::from_str_radix(said, 16) == Ok(leads_to)), "{leads_to:#x}: {sentence}");
        }
    }
    told
}

fn configures(told: &Diagnosis) -> Vec<(String, String)> {
    told.remedy.intent.as_ref().map(|intent| intent.configuration.clone()).unwrap_or_default()
}

fn boot_section_set() -> Vec<(String, String)> {
    vec![("boot-section".to_owned(), "2048-bytes".to_owned())]
}

#[test]
fn a_small_section_under_somebodys_own_loader_is_seen_where_the_flash_shows_its_beginning() {
    let told = diagnosed(&own(), small(used_of(&own())), Given::default());
    assert_eq!((kinds(&told), configures(&told)), (vec!["reset-beside-loader"], boot_section_set()));
    assert!(told.sentence().contains("0x1FC00") && told.sentence().contains("begins at 0x1F800"), "{}", told.sentence());
    // Without a vector table the blank page before it tells.
    let plain = with_flash(used_of(&own()), RESERVED, &code(0x800));
    assert_eq!(kinds(&diagnosed(&own(), small(plain.clone()), Given::default())), ["reset-beside-loader"]);
    assert_eq!(kinds(&diagnosed(&own(), plain, Given::default())), Vec::<&str>::new(), "as the board file has it");
}

/// The board file reserves nothing, so what the flash says is told, and not done unasked.
#[test]
fn on_a_board_of_which_nothing_is_known_the_command_is_named_and_nothing_is_set_unasked() {
    let generic = Catalog::built_in().board("generic-atmega1284p").expect("a generic board");
    let used = || set(used_of(&own()), "reset-start", "loader");
    let told = diagnosed(&generic, small(used()), Given::default());
    assert_eq!((kinds(&told), configures(&told)), (vec!["reset-beside-loader"], vec![]));
    assert!(told.remedy.left[0].contains("`farrier configure boot-section=2048-bytes`"), "{:?}", told.remedy);
    assert_eq!(told.remedy.by_command[0].0, "configure boot-section=2048-bytes");
    assert_eq!(kinds(&diagnosed(&generic, used(), Given::default())), Vec::<&str>::new());
    // Its own snapshot says it too, and then it is set.
    let kept = [Kept::of("kept".into(), "ATmega1284P", Some("1187"), used())];
    let told = diagnosed(&generic, small(used()), Given { snapshots: &kept, tag: Some("1187"), ..Given::default() });
    assert_eq!((kinds(&told), configures(&told)), (vec!["reset-beside-loader"], boot_section_set()));
    assert!(told.sentence().contains("the loader in kept begins at 0x1F800"), "{}", told.sentence());
    // A section in which nothing can start.
    let empty = with_flash(used(), RESERVED, &[0xFF; 0x800]);
    assert_eq!(kinds(&diagnosed(&generic, empty, Given::default())), ["loader-missing"]);
}

/// An application up to the last byte before it and no vector table: nothing in the flash shows where it begins.
#[test]
fn a_loader_that_the_flash_does_not_show_is_known_from_the_journal_or_is_not_known() {
    let hidden = with_flash(used_of(&own()), RESERVED - 0x400, &code(0xC00)[..0x400]);
    let hidden = small(with_flash(hidden, RESERVED, &code(0x800)));
    let nobody = diagnosed(&own(), hidden.clone(), Given::default());
    assert!(["loader-unknown", "loader-overwritten"].contains(&kinds(&nobody)[0]), "{:?}", nobody.causes);
    assert!(configures(&nobody).is_empty() && !nobody.remedy.left.is_empty(), "{:?}", nobody.remedy);
    let image = Image::of(ByteAddress(RESERVED), &code(0x800));
    let by_job = [Known { name: "own.hex (job 3, 2026-11-02)".into(), image, from: From::Job(3) }];
    let told = diagnosed(&own(), hidden, Given { known: &by_job, ..Given::default() });
    assert_eq!((kinds(&told), configures(&told)), (vec!["reset-beside-loader"], boot_section_set()));
}

/// The board file says where its loader belongs, and a program begins there: reset is led to it before anything is written, because until
/// then its flash is the application's.
#[test]
fn somebodys_own_loader_that_reset_does_not_start_is_seen_and_never_written_over() {
    let bypassed = || set(used_of(&own()), "reset-start", "application");
    let reset_start = || vec![("reset-start".to_owned(), "loader".to_owned())];
    let told = diagnosed(&own(), bypassed(), Given::default());
    assert_eq!((kinds(&told), configures(&told)), (vec!["loader-bypassed"], reset_start()));
    let wanted = [Known { name: "wanted.hex".into(), image: Image::of(ByteAddress(0), &code(0x300)), from: From::Wanted }];
    let erased = with_flash(bypassed(), 0, &[0xFF; 0x1_0000]);
    let told = diagnosed(&own(), erased, Given { known: &wanted, ..Given::default() });
    assert_eq!((kinds(&told), configures(&told)), (vec!["loader-bypassed", "application-missing"], reset_start()));
    assert_eq!(told.remedy.intent.as_ref().map(|intent| intent.application.clone()), Some(ApplicationIntent::Keep));
    // An application that runs on into the loader's flash does not begin there.
    let runs_on = with_flash(bypassed(), RESERVED - 0x400, &code(0xC00));
    assert_eq!(kinds(&diagnosed(&own(), runs_on, Given::default())), Vec::<&str>::new());
}

/// What a job wrote is as good as built in: in part, bypassed or gone, it is told and put back.
#[test]
fn a_loader_that_is_known_is_put_back() {
    let image = Image::of(ByteAddress(RESERVED), &code(0x800));
    let by_job = [Known { name: "own.hex (job 3, 2026-11-02)".into(), image: image.clone(), from: From::Job(3) }];
    let given = Given { known: &by_job, ..Given::default() };
    let whole = || with_flash(used_of(&own()), RESERVED, &code(0x800));
    assert_eq!(kinds(&diagnosed(&own(), whole(), given)), Vec::<&str>::new());
    assert_eq!(kinds(&diagnosed(&own(), set(whole(), "reset-start", "application"), given)), ["loader-bypassed"]);
    let half = diagnosed(&own(), with_flash(whole(), RESERVED + 0x400, &[0xFF; 0x400]), given);
    assert_eq!(kinds(&half), ["loader-half-written"]);
    let install = |told: &Diagnosis| match told.remedy.intent.as_ref().map(|intent| intent.loader.clone()) {
        Some(LoaderIntent::Install(loader)) => Some(loader.image),
        _ => None,
    };
    assert_eq!(install(&half), Some(image));
    // Gone: only the board's own snapshot says which it was.
    let gone = with_flash(whole(), RESERVED, &[0xFF; 0x800]);
    let nobody = diagnosed(&own(), gone.clone(), given);
    assert_eq!((kinds(&nobody), install(&nobody)), (vec!["loader-missing"], None));
    let kept = [Kept::of("kept".into(), "ATmega1284P", Some("1187"), whole())];
    let told = diagnosed(&own(), gone, Given { snapshots: &kept, tag: Some("1187"), ..given });
    assert_eq!(install(&told).map(|image| image.filled(image.extent().expect("a loader"), 0xFF)), Some(code(0x800)));
}

/// Loaders in sections that the board file does not reserve: nothing is wrong that anything here could show.
#[test]
fn what_cannot_be_known_is_said_so_with_both_places() {
    let blank = || with_flash(used_of(&own()), RESERVED, &[0xFF; 0x800]);
    let higher = small(with_flash(blank(), 0x1_FC00, &code(0x300)));
    let told = diagnosed(&own(), higher.clone(), Given::default());
    assert_eq!((kinds(&told), configures(&told)), (vec!["loader-unknown"], vec![]));
    assert!(told.sentence().contains("0x1FC00") && told.sentence().contains("0x1F800"), "{}", told.sentence());
    // And a second one before it.
    let both = diagnosed(&own(), with_flash(higher, RESERVED, &code(0x100)), Given::default());
    assert_eq!((kinds(&both), configures(&both)), (vec!["loader-unknown"], vec![]));
    assert!(both.sentence().contains("nothing here tells which"), "{}", both.sentence());
    // An application up to a loader of one's own with a vector table is no application that runs on.
    let full = with_flash(used_of(&own()), RESERVED - 0x400, &code(0x400));
    assert_eq!(kinds(&diagnosed(&own(), full, Given::default())), Vec::<&str>::new());
}

/// The board's own loader is not there, and reset starts a program in a larger section: that is no board on which nothing starts.
#[test]
fn a_program_that_reset_starts_before_a_blank_reservation_is_somebodys_own_loader() {
    let vent = vent();
    let blank = with_flash(used_of(&vent), RESERVED, &[0xFF; 2048]);
    let larger = set(blank, "boot-section", "4096-bytes");
    assert_eq!(kinds(&diagnosed(&vent, larger.clone(), Given::default())), ["loader-missing"]);
    let told = diagnosed(&vent, with_flash(larger, RESERVED - 2048, &code(500)), Given::default());
    assert_eq!((kinds(&told), configures(&told)), (vec!["loader-unknown"], vec![]));
    assert!(told.sentence().contains("0x1F000"), "{}", told.sentence());
}
