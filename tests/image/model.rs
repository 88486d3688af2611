//! The sparse image against a map from address to byte, which cannot be wrong in the same way.

use farrier::image::{ByteAddress, Image, Span, compare};
use proptest::prelude::*;
use std::collections::BTreeMap;

type Model = BTreeMap<u32, u8>;

#[derive(Clone, Debug)]
enum Change {
    Add(u32, Vec<u8>),
    Overwrite(u32, Vec<u8>),
    Remove(u32, u32),
    Overlay(u32, Vec<u8>),
}

/// Addresses close together, so that runs touch, overlap and swallow each other; some at the end of the address space.
fn address() -> impl Strategy<Value = u32> {
    prop_oneof![9 => 0..96_u32, 1 => u32::MAX - 96..u32::MAX]
}

fn some_bytes() -> impl Strategy<Value = Vec<u8>> {
    // Few values, so that equal bytes meet often.
    prop::collection::vec(0..3_u8, 0..24)
}

fn change() -> impl Strategy<Value = Change> {
    prop_oneof![
        (address(), some_bytes()).prop_map(|(at, bytes)| Change::Add(at, bytes)),
        (address(), some_bytes()).prop_map(|(at, bytes)| Change::Overwrite(at, bytes)),
        (address(), 0..40_u32).prop_map(|(at, len)| Change::Remove(at, len)),
        (address(), some_bytes()).prop_map(|(at, bytes)| Change::Overlay(at, bytes)),
    ]
}

fn fits(at: u32, len: usize) -> bool {
    Span::sized(ByteAddress(at), len as u32).is_some()
}

fn put(model: &mut Model, at: u32, bytes: &[u8]) {
    if fits(at, bytes.len()) {
        model.extend(bytes.iter().enumerate().map(|(n, byte)| (at + n as u32, *byte)));
    }
}

/// Makes the same change to both; where the image refuses, the model must have another byte there.
fn carry_out(image: &mut Image, model: &mut Model, change: &Change) {
    match change {
        Change::Add(at, bytes) => {
            let before = image.clone();
            match image.add(ByteAddress(*at), bytes) {
                Ok(()) => {
                    let clash =
                        |(n, byte): (usize, &u8)| fits(*at, bytes.len()) && model.get(&(at + n as u32)).is_some_and(|held| held != byte);
                    assert!(!bytes.iter().enumerate().any(clash), "a conflict was let pass");
                    put(model, *at, bytes);
                }
                Err(conflict) => {
                    assert_eq!(model.get(&conflict.at.0), Some(&conflict.held));
                    assert_eq!(bytes[(conflict.at.0 - at) as usize], conflict.given);
                    assert_ne!(conflict.held, conflict.given);
                    assert_eq!(*image, before, "a refused addition left something behind");
                }
            }
        }
        Change::Overwrite(at, bytes) => {
            image.overwrite(ByteAddress(*at), bytes);
            put(model, *at, bytes);
        }
        Change::Remove(at, len) => {
            let Some(span) = Span::sized(ByteAddress(*at), *len) else { return };
            image.remove(span);
            model.retain(|at, _| !span.contains(ByteAddress(*at)));
        }
        Change::Overlay(at, bytes) => {
            image.overlay(&Image::of(ByteAddress(*at), bytes));
            put(model, *at, bytes);
        }
    }
}

/// What the image must be, byte by byte and run by run.
fn same(image: &Image, model: &Model) {
    let held: Model = image.runs().flat_map(|(at, run)| run.iter().enumerate().map(move |(n, b)| (at.0 + n as u32, *b))).collect();
    assert_eq!(&held, model);
    let spans: Vec<Span> = image.spans().collect();
    assert!(spans.windows(2).all(|pair| pair[0].end() < pair[1].start()), "runs touch: {spans:?}");
    assert!(spans.iter().all(|span| !span.is_empty()));
    assert_eq!(image.len(), model.len());
    assert_eq!(image.is_empty(), model.is_empty());
    let extent = model.first_key_value().map(|(first, _)| (*first, model.last_key_value().map_or(0, |(last, _)| last + 1)));
    assert_eq!(image.extent().map(|span| (span.start().0, span.end().0)), extent);
}

/// Questions about a span, answered from the model.
fn same_answers(image: &Image, model: &Model, span: Span) {
    let inside: Model = model.range(span.start().0..span.end().0).map(|(at, byte)| (*at, *byte)).collect();
    same(&image.crop(span), &inside);
    assert_eq!(image.covers(span), inside.len() == span.len() as usize);
    let missing: Vec<u32> = (span.start().0..span.end().0).filter(|at| !model.contains_key(at)).collect();
    let gaps = image.gaps(span);
    assert_eq!(gaps.iter().flat_map(|gap| gap.start().0..gap.end().0).collect::<Vec<_>>(), missing);
    assert!(gaps.iter().all(|gap| !gap.is_empty()) && gaps.windows(2).all(|pair| pair[0].end() < pair[1].start()));
    let filled: Vec<u8> = (span.start().0..span.end().0).map(|at| model.get(&at).copied().unwrap_or(0xAA)).collect();
    assert_eq!(image.filled(span, 0xAA), filled);
    assert_eq!(image.byte(span.start()), model.get(&span.start().0).copied());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn an_image_is_a_map(changes in prop::collection::vec(change(), 0..24), at in address(), len in 0..80_u32) {
        let (mut image, mut model) = (Image::default(), Model::new());
        for change in &changes {
            carry_out(&mut image, &mut model, change);
            same(&image, &model);
        }
        if let Some(span) = Span::sized(ByteAddress(at), len) {
            same_answers(&image, &model, span);
        }
        let stored = serde_json::to_string(&image).unwrap();
        prop_assert_eq!(serde_json::from_str::<Image>(&stored).unwrap(), image);
    }

    #[test]
    fn a_comparison_counts_each_address_once(
        one in prop::collection::vec((address(), some_bytes()), 0..6),
        other in prop::collection::vec((address(), some_bytes()), 0..6),
    ) {
        let make = |pieces: &[(u32, Vec<u8>)]| {
            let (mut image, mut model) = (Image::default(), Model::new());
            for (at, bytes) in pieces {
                carry_out(&mut image, &mut model, &Change::Overwrite(*at, bytes.clone()));
            }
            (image, model)
        };
        let ((expected, expected_model), (found, found_model)) = (make(&one), make(&other));
        let result = compare(&expected, &found);
        let addresses = |spans: &[Span]| -> Vec<u32> { spans.iter().flat_map(|s| s.start().0..s.end().0).collect() };
        let only = |a: &Model, b: &Model| -> Vec<u32> { a.keys().filter(|at| !b.contains_key(at)).copied().collect() };
        let differ: Vec<u32> = expected_model.iter().filter(|(at, byte)| found_model.get(at).is_some_and(|f| f != *byte)).map(|(at, _)| *at).collect();
        prop_assert_eq!(addresses(&result.only_expected), only(&expected_model, &found_model));
        prop_assert_eq!(addresses(&result.only_found), only(&found_model, &expected_model));
        prop_assert_eq!(addresses(&result.differing), differ.clone());
        let same = expected_model.iter().filter(|(at, byte)| found_model.get(at) == Some(byte)).count();
        prop_assert_eq!((result.same as usize, result.different_bytes() as usize), (same, differ.len()));
        prop_assert_eq!(result.first.map(|(at, ..)| at.0), differ.first().copied());
        prop_assert_eq!(result.alike(), expected_model == found_model);
    }
}

#[test]
fn a_stored_image_that_makes_no_sense_is_refused() {
    for (stored, why) in [
        (r#"[{"start": 0, "hex": "0"}]"#, "pairs of hexadecimal digits"),
        (r#"[{"start": 0, "hex": "+f"}]"#, "pairs of hexadecimal digits"),
        (r#"[{"start": 0, "hex": "éé"}]"#, "pairs of hexadecimal digits"),
        (r#"[{"start": 0, "hex": "01"}, {"start": 0, "hex": "02"}]"#, "overlap"),
        (r#"[{"start": 4294967295, "hex": "01"}]"#, "past the last"),
    ] {
        let error = serde_json::from_str::<Image>(stored).unwrap_err().to_string();
        assert!(error.contains(why), "{stored}: {error}");
    }
}

#[test]
fn the_kind_of_difference_is_told() {
    let expected = Image::of(ByteAddress(0), &[0x0F, 0x80, 0x33]);
    let hint = |found: &[u8]| compare(&expected, &Image::of(ByteAddress(0), found)).hint();
    assert_eq!(hint(&[0x0F, 0x80, 0x33]), None);
    assert!(hint(&[0x0F, 0xFF, 0xFF]).unwrap().contains("not written"));
    assert!(hint(&[0x0E, 0x00, 0x33]).unwrap().contains("without an erase"));
    assert_eq!(hint(&[0x1F, 0x80, 0x32]), None);
}
