//! Writers: Intel HEX and raw binary, as bytes. Whoever calls them writes the file.

use super::{ByteAddress, Image, Span};
use ihex::Record;

/// Data bytes in a record.
const RECORD: u32 = 16;
/// The largest raw binary that is made, 64 MiB: gaps are filled, so two bytes far apart could ask for 4 GiB.
pub const LARGEST_BINARY: u32 = 64 << 20;

/// The image as Intel HEX: records of 16 bytes at multiples of 16, type 04 where the upper half of the address changes,
/// upper-case digits, LF. The same image always gives the same bytes.
pub fn hex(image: &Image) -> Vec<u8> {
    let mut text = String::with_capacity(image.len() * 45 / 16 + 64);
    let mut upper = 0;
    for span in image.spans() {
        for piece in span.pages(RECORD) {
            let at = piece.start().0;
            if at >> 16 != upper {
                upper = at >> 16;
                put(&mut text, &Record::ExtendedLinearAddress(upper as u16));
            }
            put(&mut text, &Record::Data { offset: at as u16, value: image.filled(piece, 0) });
        }
    }
    put(&mut text, &Record::EndOfFile);
    text.into_bytes()
}

/// Appends a record and its line end.
fn put(text: &mut String, record: &Record) {
    // The crate refuses only data of more than 255 bytes, which no caller makes.
    if let Ok(line) = record.to_record_string() {
        text.push_str(&line);
        text.push('\n');
    }
}

/// The bytes of a raw binary and the address of its first one, which the file itself cannot tell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Binary {
    pub start: ByteAddress,
    pub bytes: Vec<u8>,
}

/// An image that cannot be written as raw binary.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BinaryError {
    #[error("the image is empty, so there is nothing to write as raw binary")]
    Empty,
    #[error(
        "too far apart for raw binary: the image's bytes lie between {} and {},\n\
         found a length of {} bytes, expected at most {LARGEST_BINARY}; write Intel HEX instead",
        span.start(), span.end(), span.len()
    )]
    TooLarge { span: Span },
}

/// The image from its first byte to its last, `fill` where it holds none.
///
/// # Errors
/// An empty image, or one longer than [`LARGEST_BINARY`].
pub fn binary(image: &Image, fill: u8) -> Result<Binary, BinaryError> {
    let span = image.extent().ok_or(BinaryError::Empty)?;
    if span.len() > LARGEST_BINARY {
        return Err(BinaryError::TooLarge { span });
    }
    Ok(Binary { start: span.start(), bytes: image.filled(span, fill) })
}
