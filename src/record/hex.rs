//! Intel HEX by crate `ihex`, until the image module's own reader and writer are here.

use crate::image::{ByteAddress, Image};
use ihex::{Reader, Record};

/// An image as Intel HEX text, 16 bytes a record.
pub(super) fn write(image: &Image) -> String {
    let mut records = Vec::new();
    let mut upper = 0;
    for (at, run) in image.runs() {
        let mut at = at.0;
        let mut rest = run;
        while !rest.is_empty() {
            let room = (16 - at % 16) as usize;
            let (now, later) = rest.split_at(room.min(rest.len()));
            if (at >> 16) as u16 != upper {
                upper = (at >> 16) as u16;
                records.push(Record::ExtendedLinearAddress(upper));
            }
            records.push(Record::Data { offset: at as u16, value: now.to_vec() });
            at = at.wrapping_add(now.len() as u32);
            rest = later;
        }
    }
    records.push(Record::EndOfFile);
    ihex::create_object_file_representation(&records).unwrap_or_default() + "\n"
}

/// The image of a text that [`write`] made.
pub(super) fn read(text: &str) -> Result<Image, String> {
    let mut image = Image::default();
    let mut upper = 0;
    for record in Reader::new(text.trim_end()) {
        match record.map_err(|error| error.to_string())? {
            Record::ExtendedLinearAddress(address) => upper = u32::from(address) << 16,
            Record::Data { offset, value } => {
                let at = ByteAddress(upper + u32::from(offset));
                image.add(at, &value).map_err(|conflict| format!("two bytes for {}", conflict.at))?;
            }
            _ => {}
        }
    }
    Ok(image)
}
