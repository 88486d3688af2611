//! Replies, and why operations fail, as bytes.

use super::fields::{Malformed, Reader, put_block, put_number};
use crate::bus::{LineLevels, Reply, Why};
use crate::units::{Hertz, Millivolts};

const DONE: u8 = 0x01;
const BYTES: u8 = 0x02;
const CRC32: u8 = 0x03;
const CLOCK: u8 = 0x04;
const SUPPLY: u8 = 0x05;
const SUPPLY_UNKNOWN: u8 = 0x06;
const LINES: u8 = 0x07;

const POLL_TIMED_OUT: u8 = 0x01;
const DIFFERS: u8 = 0x02;
const NOT_SUPPORTED: u8 = 0x03;
const BAD_OPERATION: u8 = 0x04;
const NO_POWER: u8 = 0x05;

pub(super) fn put(into: &mut Vec<u8>, reply: &Reply) {
    match reply {
        Reply::Done => into.push(DONE),
        Reply::Bytes(bytes) => {
            into.push(BYTES);
            put_block(into, bytes);
        }
        Reply::Crc32(values) => {
            into.push(CRC32);
            put_block(into, &values.iter().flat_map(|value| value.to_be_bytes()).collect::<Vec<u8>>());
        }
        Reply::Clock(Hertz(hz)) => {
            into.push(CLOCK);
            put_number(into, *hz);
        }
        Reply::Supply(Some(Millivolts(millivolts))) => {
            into.push(SUPPLY);
            put_number(into, u32::from(*millivolts));
        }
        Reply::Supply(None) => into.push(SUPPLY_UNKNOWN),
        Reply::Lines(LineLevels { reset, sck, mosi, miso }) => {
            let bits = [reset, sck, mosi, miso].into_iter().rev().fold(0, |bits, high| bits << 1 | u8::from(*high));
            into.extend([LINES, bits]);
        }
    }
}

pub(super) fn take(reader: &mut Reader) -> Result<Reply, Malformed> {
    Ok(match reader.byte("reply code")? {
        DONE => Reply::Done,
        BYTES => Reply::Bytes(reader.block("reply bytes")?.to_vec()),
        CRC32 => {
            let (values, rest) = reader.block("CRC-32 values")?.as_chunks::<4>();
            if !rest.is_empty() {
                return Err(Malformed::Short("CRC-32 values"));
            }
            Reply::Crc32(values.iter().map(|value| u32::from_be_bytes(*value)).collect())
        }
        CLOCK => Reply::Clock(Hertz(reader.number("SPI clock")?)),
        SUPPLY => Reply::Supply(Some(take_millivolts(reader, "supply")?)),
        SUPPLY_UNKNOWN => Reply::Supply(None),
        LINES => take_lines(reader.byte("line levels")?)?,
        code => return Err(Malformed::Value { field: "reply code", value: u32::from(code) }),
    })
}

fn take_lines(bits: u8) -> Result<Reply, Malformed> {
    let high = |bit: u8| bits >> bit & 1 == 1;
    match bits >> 4 {
        0 => Ok(Reply::Lines(LineLevels { reset: high(0), sck: high(1), mosi: high(2), miso: high(3) })),
        _ => Err(Malformed::Value { field: "line levels", value: u32::from(bits) }),
    }
}

pub(super) fn take_millivolts(reader: &mut Reader, field: &'static str) -> Result<Millivolts, Malformed> {
    let value = reader.number(field)?;
    u16::try_from(value).map(Millivolts).map_err(|_| Malformed::Value { field, value })
}

pub(super) fn put_why(into: &mut Vec<u8>, why: &Why) {
    match why {
        Why::PollTimedOut { last } => into.extend([POLL_TIMED_OUT, *last]),
        Why::Differs { index, expected, found } => {
            into.push(DIFFERS);
            put_number(into, *index);
            into.extend([*expected, *found]);
        }
        Why::NotSupported => into.push(NOT_SUPPORTED),
        Why::BadOperation => into.push(BAD_OPERATION),
        Why::NoPower => into.push(NO_POWER),
    }
}

pub(super) fn take_why(reader: &mut Reader) -> Result<Why, Malformed> {
    Ok(match reader.byte("failure code")? {
        POLL_TIMED_OUT => Why::PollTimedOut { last: reader.byte("last byte")? },
        DIFFERS => {
            let index = reader.number("index")?;
            let [expected, found] = reader.array("differing bytes")?;
            Why::Differs { index, expected, found }
        }
        NOT_SUPPORTED => Why::NotSupported,
        BAD_OPERATION => Why::BadOperation,
        NO_POWER => Why::NoPower,
        code => return Err(Malformed::Value { field: "failure code", value: u32::from(code) }),
    })
}
