//! Writers: what they write reads back as it was, always the same way.

use farrier::image::write::{BinaryError, LARGEST_BINARY, binary, hex};
use farrier::image::{ByteAddress, Image, hex as reader};
use proptest::prelude::*;

#[test]
fn records_are_as_the_format_says() {
    let mut image = Image::of(ByteAddress(0x0E), &[1, 2, 3, 4]);
    image.overwrite(ByteAddress(0x1_FFFF), &[5, 6]);
    let expected = ":02000E000102ED\n:020010000304E7\n:020000040001F9\n:01FFFF0005FC\n:020000040002F8\n:0100000006F9\n:00000001FF\n";
    assert_eq!(String::from_utf8(hex(&image)).unwrap(), expected);
    assert_eq!(hex(&Image::default()), b":00000001FF\n");
}

#[test]
fn raw_binary_begins_at_the_first_byte_and_fills_gaps() {
    let mut image = Image::of(ByteAddress(0x100), &[1, 2]);
    image.overwrite(ByteAddress(0x105), &[3]);
    let made = binary(&image, 0xFF).unwrap();
    assert_eq!((made.start, made.bytes), (ByteAddress(0x100), vec![1, 2, 0xFF, 0xFF, 0xFF, 3]));
}

#[test]
fn raw_binary_has_an_end() {
    assert_eq!(binary(&Image::default(), 0), Err(BinaryError::Empty));
    let mut image = Image::of(ByteAddress(0), &[1]);
    image.overwrite(ByteAddress(LARGEST_BINARY), &[1]);
    let message = binary(&image, 0).unwrap_err().to_string();
    assert!(message.contains("67108865 bytes") && message.contains("at most 67108864") && message.contains("Intel HEX"), "{message}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(500))]

    #[test]
    fn what_is_written_reads_back(pieces in prop::collection::vec((0..0x5_0000_u32, prop::collection::vec(any::<u8>(), 1..600)), 0..5)) {
        let mut image = Image::default();
        for (at, bytes) in &pieces {
            image.overwrite(ByteAddress(*at), bytes);
        }
        prop_assert_eq!(&reader::read(&hex(&image)).unwrap().image, &image);
        if let Ok(made) = binary(&image, 0x5A) {
            let read = Image::of(made.start, &made.bytes);
            prop_assert_eq!(read.extent(), image.extent());
            for span in image.spans() {
                prop_assert_eq!(read.crop(span), image.crop(span));
            }
        }
    }
}
