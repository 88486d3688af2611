//! Images by name, to practise with: the demo applications, and ones that no board should take.

use super::stop::Stop;
use crate::board::{Catalog, demo_applications, demo_names};
use crate::image::{self, ByteAddress, Image, ImageFile, Span, write};

/// Begins the name of such an image.
pub const PREFIX: &str = "demo:";

/// How far up an application lies that lies wrong: as if it were linked for a chip whose loader is at its beginning.
const OFFSET: u32 = 0x800;

/// The image called `name`, without the prefix.
///
/// # Errors
/// There is none of that name.
pub fn load(name: &str) -> Result<ImageFile, Stop> {
    let unknown = || {
        let all: Vec<String> = demo_names().iter().flat_map(|board| KINDS.map(|kind| format!("{PREFIX}{board}-{kind}"))).collect();
        Stop::usage(format!("there is no image {PREFIX}{name}")).hint(format!("There are: {}.", all.join(", ")))
    };
    let (board, kind) = name.split_once('-').ok_or_else(unknown)?;
    let application = application(board).ok_or_else(unknown)?;
    let made = match kind {
        "1" => application,
        "too-big" => too_big(board, &application).ok_or_else(unknown)?,
        "wrong-offset" => moved(&application),
        "other-chip" => demo_names().iter().find(|other| *other != board).and_then(|other| self::application(other)).ok_or_else(unknown)?,
        _ => return Err(unknown()),
    };
    image::parse(write::hex(&made), None).map_err(|why| Stop::usage(why.to_string()))
}

const KINDS: [&str; 4] = ["1", "too-big", "wrong-offset", "other-chip"];

fn application(board: &str) -> Option<Image> {
    demo_applications().iter().find(|demo| demo.board == board).map(|demo| demo.image.clone())
}

/// Runs on into the loader's reservation.
fn too_big(board: &str, application: &Image) -> Option<Image> {
    let (described, chip) = Catalog::built_in().board(board).ok()?;
    let end = ByteAddress(described.application(&chip).end().0 + chip.flash.page);
    let mut image = Image::of(ByteAddress(0), &vec![0; Span::new(ByteAddress(0), end)?.len() as usize]);
    image.overlay(application);
    Some(image)
}

fn moved(application: &Image) -> Image {
    let mut moved = Image::default();
    for (at, run) in application.runs() {
        moved.overlay(&Image::of(ByteAddress(at.0 + OFFSET), run));
    }
    moved
}
