//! The firmware images of bridges, as far as they are built and lie in their folder.

use include_dir::{Dir, include_dir};

static IMAGES: Dir = include_dir!("$CARGO_MANIFEST_DIR/hardware-notes/bridge/images");

/// The firmware image in the file of this name, if it is built in.
pub fn bridge_image(file: &str) -> Option<&'static [u8]> {
    IMAGES.get_file(file).map(|file| file.contents())
}
