//! XMODEM with CRC and blocks of 128 bytes, the sending side: how an application gets to a fitted loader.
//!
//! The receiver asks ('C'), each block is answered (ACK, or NAK for once more), EOT ends it. Source: the public description of XMODEM-CRC
//! (C. Forsberg, 'XMODEM/YMODEM Protocol Reference', 1988, sections 7 and 8): from memory; held against a receiver that nobody here wrote
//! in `tests/outside`.

use super::Wire;
use super::greet::travel;
use crate::time::Moment;
use std::io;
use std::ops::ControlFlow;
use std::time::Duration;

const SOH: u8 = 0x01;
const EOT: u8 = 0x04;
const ACK: u8 = 0x06;
const NAK: u8 = 0x15;
const CAN: u8 = 0x18;
/// What a receiver that wants CRCs asks with.
const ASK: u8 = b'C';

/// Bytes of data in a block.
pub const BLOCK: usize = 128;

/// How often a block is sent before the line counts as unusable.
const TRIES: u32 = 10;
/// How long an answer may take: the receiver may program a page meanwhile.
const ANSWER_WITHIN: Duration = Duration::from_secs(5);
/// An 'C' that comes sooner after a block was sent was on its way before it.
const STALE: Duration = Duration::from_millis(600);

/// What is sent. What fills the last block up is for the caller to say; an erased byte leaves flash as it is.
#[derive(Clone, Copy, Debug)]
pub struct Transfer<'b> {
    pub bytes: &'b [u8],
    pub fill: u8,
    /// How long to wait until the receiver asks.
    pub asked_within: Duration,
}

/// How far a transfer is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Progress {
    /// The receiver has not asked yet.
    Waiting(Duration),
    /// So many bytes are taken.
    Taken(usize),
}

/// Why a transfer did not end well.
#[derive(Debug, thiserror::Error)]
pub enum TransferError {
    #[error("nothing asked for a transfer within {} s; heard: {}", waited.as_secs(), words(heard))]
    NotAsked { waited: Duration, heard: Vec<u8> },
    #[error("the loader ended the transfer at block {block} of {of} ({BLOCK} bytes each): it refuses what comes there, or cannot write it")]
    Refused { block: usize, of: usize },
    #[error("no answer to block {block} of {of}, sent {TRIES} times")]
    NoAnswer { block: usize, of: usize },
    #[error("stopped as asked after {taken} bytes; the transfer is not complete")]
    Stopped { taken: usize },
    #[error(transparent)]
    Wire(#[from] io::Error),
}

/// What a receiver said instead, readable.
fn words(heard: &[u8]) -> String {
    match heard {
        [] => "nothing".to_owned(),
        _ => format!("\"{}\"", String::from_utf8_lossy(heard.get(..60).unwrap_or(heard)).escape_debug()),
    }
}

/// Sends an image, and gives what came behind the last answer: the application may speak already. `progress` is told how far it is, and
/// may stop it.
///
/// # Errors
/// The receiver does not ask, does not answer, or ends the transfer; the wire's own.
pub fn send_xmodem(
    wire: &mut dyn Wire,
    transfer: &Transfer,
    progress: &mut dyn FnMut(Progress) -> ControlFlow<()>,
) -> Result<Vec<u8>, TransferError> {
    let blocks = transfer.bytes.chunks(BLOCK).count();
    let mut sender = Sender { wire, progress, blocks };
    sender.wait_for_ask(transfer.asked_within)?;
    for (n, data) in transfer.bytes.chunks(BLOCK).enumerate() {
        sender.tell(Progress::Taken(n * BLOCK))?;
        sender.block(n + 1, data, transfer.fill)?;
    }
    sender.end()
}

struct Sender<'s> {
    wire: &'s mut dyn Wire,
    progress: &'s mut dyn FnMut(Progress) -> ControlFlow<()>,
    blocks: usize,
}

impl Sender<'_> {
    fn tell(&mut self, progress: Progress) -> Result<(), TransferError> {
        let taken = if let Progress::Taken(taken) = progress { taken } else { 0 };
        if (self.progress)(progress).is_continue() {
            return Ok(());
        }
        self.wire.send(&[CAN, CAN])?;
        Err(TransferError::Stopped { taken })
    }

    fn now(&self) -> Moment {
        self.wire.clock().now()
    }

    /// What comes until `deadline`, or something before it.
    fn listen(&mut self, deadline: Moment) -> Result<Vec<u8>, TransferError> {
        let mut heard = Vec::new();
        self.wire.receive(&mut heard, deadline)?;
        Ok(heard)
    }

    /// Waits until the receiver asks; what it says before that is passed over.
    fn wait_for_ask(&mut self, within: Duration) -> Result<(), TransferError> {
        let begun = self.now();
        let mut heard = Vec::new();
        while self.now().since(begun) < within {
            let waited = self.now().since(begun);
            self.tell(Progress::Waiting(waited))?;
            let slice = Duration::from_millis(100).min(within - waited);
            let bytes = self.listen(self.now().plus(slice))?;
            // A greeting may have the letter, so it counts at the end of what came only.
            if bytes.last() == Some(&ASK) {
                return Ok(());
            }
            heard.extend(bytes);
        }
        Err(TransferError::NotAsked { waited: within, heard })
    }

    /// Sends a block until it is taken.
    fn block(&mut self, number: usize, data: &[u8], fill: u8) -> Result<(), TransferError> {
        let mut padded = [fill; BLOCK];
        padded.iter_mut().zip(data).for_each(|(to, byte)| *to = *byte);
        let crc = crc::Crc::<u16>::new(&crc::CRC_16_XMODEM).checksum(&padded);
        let short = number as u8;
        let frame = [&[SOH, short, !short], padded.as_slice(), &crc.to_be_bytes()].concat();
        for _ in 0..TRIES {
            if self.sent_and_taken(&frame, number, number == 1)?.is_some() {
                return Ok(());
            }
        }
        Err(TransferError::NoAnswer { block: number, of: self.blocks })
    }

    /// Ends the transfer: the receiver writes what it still has, and says so.
    fn end(mut self) -> Result<Vec<u8>, TransferError> {
        self.tell(Progress::Taken(self.blocks * BLOCK))?;
        for _ in 0..TRIES {
            if let Some(after) = self.sent_and_taken(&[EOT], self.blocks, false)? {
                return Ok(after);
            }
        }
        Err(TransferError::NoAnswer { block: self.blocks, of: self.blocks })
    }

    /// Sends, and waits for the answer: what came behind an ACK, or nothing where it is to be sent again. `asked`: the receiver may still
    /// be asking, which is as good as NAK unless it set off before the block.
    fn sent_and_taken(&mut self, frame: &[u8], block: usize, asked: bool) -> Result<Option<Vec<u8>>, TransferError> {
        // What came before is about something else.
        self.listen(self.now())?;
        // Two in a row end the transfer; one may be noise.
        let mut cancels = 0;
        self.wire.send(frame)?;
        let sent = self.now().plus(travel(self.wire, frame.len()));
        let deadline = sent.plus(ANSWER_WITHIN);
        while self.now() < deadline {
            let heard = self.listen(deadline)?;
            for (n, byte) in heard.iter().enumerate() {
                match *byte {
                    ACK => return Ok(Some(heard.get(n + 1..).unwrap_or_default().to_vec())),
                    NAK => return Ok(None),
                    ASK if asked && self.now() > sent.plus(STALE) => return Ok(None),
                    CAN => cancels += 1,
                    _ => cancels = 0,
                }
                if cancels >= 2 {
                    return Err(TransferError::Refused { block, of: self.blocks });
                }
            }
        }
        Ok(None)
    }
}
