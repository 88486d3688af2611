//! Makes images and files for the other tests, by code that shares nothing with the readers.

/// A record with a right checksum: `type`, `offset`, data.
pub fn record(kind: u8, offset: u16, data: &[u8]) -> String {
    let mut bytes = vec![data.len() as u8, (offset >> 8) as u8, offset as u8, kind];
    bytes.extend(data);
    let sum: u32 = bytes.iter().map(|b| u32::from(*b)).sum();
    bytes.push((256 - sum % 256) as u8);
    ":".to_string() + &bytes.iter().map(|b| format!("{b:02X}")).collect::<String>()
}

/// A segment of an ELF file: kind, physical address, contents.
pub struct Segment<'a> {
    pub kind: u32,
    pub physical: u32,
    pub contents: &'a [u8],
}

/// A 32-bit little-endian ELF executable for AVR.
pub fn elf(segments: &[Segment]) -> Vec<u8> {
    let mut file = b"\x7fELF\x01\x01\x01".to_vec();
    file.resize(16, 0);
    let table_end = 52 + 32 * segments.len() as u32;
    for half in [2_u16, 83] {
        file.extend(half.to_le_bytes());
    }
    for word in [1_u32, 0, 52, 0, 0x86] {
        file.extend(word.to_le_bytes());
    }
    for half in [52_u16, 32, segments.len() as u16, 40, 0, 0] {
        file.extend(half.to_le_bytes());
    }
    let mut offset = table_end;
    for segment in segments {
        let size = segment.contents.len() as u32;
        for word in [segment.kind, offset, 0, segment.physical, size, size, 5, 1] {
            file.extend(word.to_le_bytes());
        }
        offset += size;
    }
    for segment in segments {
        file.extend(segment.contents);
    }
    file
}

/// A load segment.
pub fn load(physical: u32, contents: &[u8]) -> Segment<'_> {
    Segment { kind: 1, physical, contents }
}
