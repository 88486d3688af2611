//! Intel HEX: what is read, and every mistake with what its message must say.

use super::make::record;
use farrier::image::hex::{HexError, read};
use farrier::image::{ByteAddress, Image};

const END: &str = ":00000001FF";

fn lines(lines: &[&str]) -> Vec<u8> {
    lines.iter().flat_map(|line| format!("{line}\n").into_bytes()).collect()
}

fn image(pieces: &[(u32, &[u8])]) -> Image {
    let mut image = Image::default();
    for (at, bytes) in pieces {
        image.add(ByteAddress(*at), bytes).unwrap();
    }
    image
}

#[test]
fn records_of_the_published_example_read_as_printed() {
    // Two records and the end record, with checksums worked out by hand: the sum of all bytes is 0.
    let text = b":0300300002337A1E\n:02000000BEEF51\n:00000001FF\n";
    assert_eq!(read(text).unwrap().image, image(&[(0, &[0xBE, 0xEF]), (0x30, &[0x02, 0x33, 0x7A])]));
}

#[test]
fn line_ends_blanks_and_small_digits_do_not_matter() {
    let expected = read(b":02000000BEEF51\n:00000001FF\n").unwrap();
    for text in [
        ":02000000BEEF51\r\n:00000001FF\r\n",
        ":02000000beef51\n:00000001ff",
        "\n\r\n:02000000BeEf51  \n\n:00000001FF\n\n  \n",
        ":02000000BEEF51\r\n:00000001FF\n",
    ] {
        assert_eq!(read(text.as_bytes()), Ok(expected.clone()), "{text:?}");
    }
}

#[test]
fn records_of_any_length_and_order_make_one_image() {
    let long: Vec<u8> = (0..255).collect();
    let text = lines(&[&record(0, 0x1FF, &[7]), &record(0, 0x100, &long), &record(0, 0x50, &[]), &record(0, 0xFF, &[9]), END]);
    let mut expected = vec![9];
    expected.extend(&long);
    expected.push(7);
    assert_eq!(read(&text).unwrap().image, image(&[(0xFF, &expected)]));
}

#[test]
fn type_02_counts_in_paragraphs_and_wraps_at_64_kib() {
    let text = lines(&[&record(2, 0, &[0x12, 0x34]), &record(0, 0xFFFE, &[1, 2, 3, 4]), END]);
    assert_eq!(read(&text).unwrap().image, image(&[(0x1_2340, &[3, 4]), (0x2_233E, &[1, 2])]));
}

#[test]
fn type_04_gives_the_upper_half_and_does_not_wrap() {
    let text = lines(&[&record(4, 0, &[0x00, 0x01]), &record(0, 0xFFFE, &[1, 2, 3, 4]), END]);
    assert_eq!(read(&text).unwrap().image, image(&[(0x1_FFFE, &[1, 2, 3, 4])]));
}

#[test]
fn the_address_record_that_came_last_holds() {
    let text = lines(&[
        &record(4, 0, &[0, 2]),
        &record(0, 0, &[1]),
        &record(2, 0, &[0x10, 0]),
        &record(0, 0, &[2]),
        &record(4, 0, &[0, 0]),
        &record(0, 0, &[3]),
        END,
    ]);
    assert_eq!(read(&text).unwrap().image, image(&[(0, &[3]), (0x1_0000, &[2]), (0x2_0000, &[1])]));
}

#[test]
fn start_records_are_kept_apart_from_data() {
    let linear = read(&lines(&[&record(5, 0, &[0x00, 0x01, 0xF8, 0x00]), END])).unwrap();
    assert_eq!((linear.start, linear.image.is_empty()), (Some(ByteAddress(0x1_F800)), true));
    let segment = read(&lines(&[&record(3, 0, &[0x10, 0x00, 0x00, 0x20]), END])).unwrap();
    assert_eq!(segment.start, Some(ByteAddress(0x1_0020)));
}

#[test]
fn equal_bytes_may_be_given_twice() {
    let text = lines(&[&record(0, 0, &[1, 2, 3]), &record(0, 1, &[2, 3, 4]), &record(0, 0, &[1]), END]);
    assert_eq!(read(&text).unwrap().image, image(&[(0, &[1, 2, 3, 4])]));
}

/// Each mistake: the file, and what the message must say.
#[test]
fn every_mistake_says_line_found_and_expected() {
    let good = record(0, 0, &[1, 2, 3, 4]);
    let other = record(0, 2, &[9]);
    let cases: Vec<(Vec<u8>, &[&str])> = vec![
        (lines(&[&good, ":04000000010203FEF2", END]), &["line 2", "bad checksum", "found 0xF2", "expected 0xF8"]),
        (lines(&[&good, ":0400000001020304", END]), &["line 2", "short record", "17 characters", "expected 19", "0x04"]),
        (lines(&[":04000000010203F", END]), &["line 1", "short record", "16 characters", "expected 19", "0x04"]),
        (lines(&[":0", END]), &["line 1", "short record", "2 characters", "expected 11", "without data"]),
        (lines(&[":", END]), &["line 1", "short record", "1 characters", "expected 11"]),
        (lines(&[":0200000001020304F4", END]), &["line 1", "long record", "19 characters", "expected 15", "0x02"]),
        (lines(&[&good]), &["line 1, the last", "missing end record", "expected ':00000001FF'"]),
        (lines(&["", &good, "", ""]), &["line 2, the last", "missing end record"]),
        (lines(&[&good, END, &other]), &["line 3", "data after the end record", "none after line 2"]),
        (lines(&[&good, ":0400G00001020304F2", END]), &["line 2", "not hexadecimal", "found 'G'", "column 6", "0 to 9 or A to F"]),
        (lines(&[&good, ":04 00000 1020304F2", END]), &["line 2", "not hexadecimal", "found a space", "column 4"]),
        (b":0400\xC3\xA9000102\n".to_vec(), &["line 1", "not hexadecimal", "found byte 0xC3", "column 6"]),
        (lines(&[&good, "04000000010203F2", END]), &["line 2", "not a record", "found '0'", "expected ':'"]),
        (lines(&[&record(6, 0, &[1]), END]), &["line 1", "unknown record type", "found 0x06", "expected 0x00 to 0x05"]),
        (lines(&[&record(4, 0, &[1, 2, 3]), END]), &["line 1", "wrong length", "type 04", "found 3", "expected 2"]),
        (lines(&[&record(2, 0, &[1]), END]), &["line 1", "wrong length", "type 02", "found 1", "expected 2"]),
        (lines(&[&record(3, 0, &[1]), END]), &["line 1", "wrong length", "type 03", "found 1", "expected 4"]),
        (lines(&[&record(5, 0, &[]), END]), &["line 1", "wrong length", "type 05", "found 0", "expected 4"]),
        (lines(&[&record(1, 0, &[5])]), &["line 1", "wrong length", "end record", "found 1", "expected 0"]),
        (
            lines(&[&good, &record(0, 100, &[1]), &other, END]),
            &["line 3", "conflicting bytes", "0x00002", "found 0x09", "expected 0x03", "line 1"],
        ),
        (
            lines(&[&record(4, 0, &[0xFF, 0xFF]), &record(0, 0xFFFC, &[1, 2, 3, 4]), END]),
            &["line 2", "out of range", "4 bytes from 0xFFFFFFFC", "0xFFFFFFFE"],
        ),
    ];
    for (text, expected) in cases {
        let message = read(&text).expect_err(&String::from_utf8_lossy(&text)).to_string();
        for piece in expected {
            assert!(message.contains(piece), "no '{piece}' in:\n{message}");
        }
        assert!(message.lines().all(|line| line.len() <= 100), "too wide:\n{message}");
    }
}

#[test]
fn a_conflict_is_found_between_records_far_apart_and_in_any_order() {
    let text = lines(&[&record(0, 0x200, &[5]), &record(0, 0x100, &[0; 255]), &record(0, 0, &[1]), &record(0, 0x1FE, &[0, 0, 6]), END]);
    let expected = HexError::Conflict { line: 4, at: ByteAddress(0x200), found: 6, expected: 5, earlier: 1 };
    assert_eq!(read(&text), Err(expected));
}

#[test]
fn a_file_that_runs_backwards_is_read_in_no_more_than_moments() {
    // 2 MiB: merging each record into the run above it would move 128 GiB.
    let mut text = String::new();
    for n in (0..0x20_0000_u32 / 16).rev() {
        text += &record(4, 0, &((n >> 12) as u16).to_be_bytes());
        text += "\n";
        text += &record(0, (n << 4) as u16, &n.to_be_bytes().repeat(4));
        text += "\n";
    }
    text += END;
    let begun = std::time::Instant::now();
    let image = read(text.as_bytes()).unwrap().image;
    assert_eq!((image.len(), image.spans().count()), (0x20_0000, 1));
    assert!(begun.elapsed().as_secs() < 10, "{:?}", begun.elapsed());
}
