//! SHA-256 of bytes: tells contents apart where a CRC-32 would be too short.

use super::Image;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256 as Hasher};
use std::fmt;
use std::str::FromStr;

/// A SHA-256, written as 64 hexadecimal digits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Sha256([u8; 32]);

impl Sha256 {
    /// Of these parts, one after the other.
    pub fn of(parts: &[&[u8]]) -> Sha256 {
        let mut hasher = Hasher::new();
        parts.iter().for_each(|part| hasher.update(part));
        Sha256(hasher.finalize().into())
    }
}

impl Image {
    /// SHA-256 over the bytes in address order, gaps left out: for an image without gaps, that of its raw binary file.
    pub fn sha256(&self) -> Sha256 {
        Sha256::of(&self.runs().map(|(_, run)| run).collect::<Vec<_>>())
    }
}

impl fmt::Display for Sha256 {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl FromStr for Sha256 {
    type Err = String;

    fn from_str(text: &str) -> Result<Sha256, String> {
        let digits: Option<Vec<u8>> = text.chars().map(|c| c.to_digit(16).map(|digit| digit as u8)).collect();
        let bytes =
            digits.map(|digits| digits.chunks(2).map(|pair| pair.iter().fold(0, |byte, digit| byte << 4 | digit)).collect::<Vec<u8>>());
        let bytes = bytes.filter(|_| text.len() == 64).and_then(|bytes| bytes.try_into().ok());
        bytes.map(Sha256).ok_or_else(|| format!("{text:?} is not a SHA-256: those have 64 hexadecimal digits"))
    }
}

impl TryFrom<String> for Sha256 {
    type Error = String;

    fn try_from(text: String) -> Result<Sha256, String> {
        text.parse()
    }
}

impl From<Sha256> for String {
    fn from(sum: Sha256) -> String {
        sum.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::ByteAddress;

    /// FIPS 180-4's examples, from memory.
    #[test]
    fn the_published_examples() {
        let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(Sha256::of(&[b"a", b"bc"]).to_string(), abc);
        assert_eq!(abc.parse(), Ok(Sha256::of(&[b"abc"])));
        assert_eq!(Image::of(ByteAddress(7), b"abc").sha256().to_string(), abc);
        assert!("ba78".parse::<Sha256>().is_err() && abc.replace('b', "x").parse::<Sha256>().is_err());
    }
}
