//! Does it start? Words are written out as the instruction set manual gives them.

use farrier::image::{ByteAddress, Core, Image, Start, start_at, vectors};

const FLASH: u32 = 0x8000;
const CORE: Core = Core { flash_bytes: FLASH, jmp: true };
const SMALL: Core = Core { flash_bytes: 0x2000, jmp: false };

fn image(at: u32, words: &[u16]) -> Image {
    let bytes: Vec<u8> = words.iter().flat_map(|word| word.to_le_bytes()).collect();
    Image::of(ByteAddress(at), &bytes)
}

#[test]
fn a_jump_is_followed_to_where_it_leads() {
    // JMP 0x0003 (a word address), NOP, then RJMP to itself.
    let started = start_at(&image(0, &[0x940C, 0x0003, 0x0000, 0xCFFF]), ByteAddress(0), CORE);
    assert_eq!(started, Start::Jump { to: ByteAddress(6) });
    // RJMP .+2 skips one word.
    assert_eq!(start_at(&image(0, &[0xC001, 0xFFFF, 0x94F8]), ByteAddress(0), CORE), Start::Jump { to: ByteAddress(4) });
}

#[test]
fn a_jump_out_of_the_image_or_the_flash_does_not_start() {
    let outside = Start::LeadsOutside { to: ByteAddress(0x100) };
    assert_eq!(start_at(&image(0, &[0x940C, 0x0080]), ByteAddress(0), CORE), outside);
    assert!(!outside.starts());
    // JMP with all address bits set that the first word has for it: word 0x3FFFFF.
    let far = start_at(&image(0, &[0x95FD, 0xFFFF]), ByteAddress(0), CORE);
    assert_eq!(far, Start::LeadsOutside { to: ByteAddress(0x7F_FFFE) });
}

#[test]
fn a_part_without_jmp_and_call_starts_neither() {
    // JMP 0x0003 with its address bits 0 and with all that the first word has; CALL the same.
    for word in [0x940C_u16, 0x95FD, 0x940E, 0x95FF] {
        let image = image(0, &[word, 0x0003, 0x0000, 0xCFFF]);
        assert_eq!(start_at(&image, ByteAddress(0), SMALL), Start::NoSuchInstruction { word });
        assert!(vectors(&image, ByteAddress(0), SMALL).is_empty());
        assert!(!matches!(start_at(&image, ByteAddress(0), CORE), Start::NoSuchInstruction { .. }));
    }
    assert!(!Start::NoSuchInstruction { word: 0x940C }.starts());
    // Their neighbours: DEC, ASR and the one-word jumps through Z.
    for word in [0x940A_u16, 0x9405, 0x9409, 0x9509, 0xC001] {
        assert!(!matches!(start_at(&image(0, &[word, 0xFFFF, 0x94F8]), ByteAddress(0), SMALL), Start::NoSuchInstruction { .. }));
    }
}

#[test]
fn rjmp_wraps_around_the_ends_of_the_flash() {
    let mut whole = image(0, &[0xCFFF - 1]);
    whole.overwrite(ByteAddress(FLASH - 2), &[0xF8, 0x94]);
    // RJMP .-4 at word 0 leads to the last word of the flash.
    assert_eq!(start_at(&whole, ByteAddress(0), CORE), Start::Jump { to: ByteAddress(FLASH - 2) });
}

#[test]
fn code_without_a_table_starts_and_rubbish_does_not() {
    for word in [0x2411_u16 /* CLR R1 */, 0x94F8 /* CLI */, 0xB7E4 /* IN R30, 0x34 */, 0xE0A0 /* LDI R26, 0 */, 0x0000] {
        assert!(start_at(&image(0x7E00, &[word]), ByteAddress(0x7E00), CORE).starts(), "0x{word:04X}");
    }
    assert_eq!(start_at(&image(0, &[0xFFFF]), ByteAddress(0), CORE), Start::Blank);
    assert_eq!(start_at(&image(0, &[0x6548 /* 'He' */]), ByteAddress(0), CORE), Start::Unknown { word: 0x6548 });
    assert_eq!(start_at(&image(0, &[0x940C]), ByteAddress(2), CORE), Start::Nothing);
    assert_eq!(start_at(&Image::default(), ByteAddress(0), CORE), Start::Nothing);
    assert_eq!(start_at(&image(0, &[0x940C]), ByteAddress(u32::MAX), CORE), Start::Nothing);
}

#[test]
fn the_table_ends_where_the_jumps_end() {
    // Two vectors of two words each, the second to a default handler; then code.
    let table = image(0, &[0x940C, 0x0004, 0x940C, 0x0005, 0x2411, 0xCFFF]);
    let table = vectors(&table, ByteAddress(0), CORE);
    assert_eq!(table.iter().map(|v| (v.at.0, v.to.0, v.lands)).collect::<Vec<_>>(), [(0, 8, true), (4, 10, true)]);
    // On a part without JMP, vectors are one word each.
    let small = vectors(&image(0, &[0xC001, 0xC000, 0x2411]), ByteAddress(0), SMALL);
    assert_eq!(small.iter().map(|v| (v.at.0, v.to.0)).collect::<Vec<_>>(), [(0, 4), (2, 4)]);
}
