//! ID, calibration byte, configuration and lock; chip erase, which alone lifts the lock.

use super::instruction::{ANSWER, CHIP_ERASE, Instruction, READ_CALIBRATION, READ_FUSE, READ_LOCK, read_id, write_fuse, write_lock};
use super::lists::{bytes_of, transfer};
use super::{AlgorithmError, AvrSpi, Task};
use crate::board::{Chip, Forbids};
use crate::bus::Operation;

/// What one chip says of itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Identity {
    /// ID bytes.
    pub id: [u8; 3],
    /// The oscillator's calibration byte.
    pub calibration: u8,
    /// Configuration bytes in the chip's order, as read.
    pub configuration: Vec<u8>,
    /// The lock byte, as read.
    pub lock: u8,
}

impl Identity {
    /// The same with the bits 1 that have no meaning: how those read is not settled by the documents (8126, 8246: checked).
    pub(super) fn masked(&self, chip: &Chip) -> Identity {
        let configuration = self.configuration.iter().zip(&chip.configuration).map(|(value, byte)| value | !byte.used);
        Identity { configuration: configuration.collect(), lock: self.lock | !chip.lock.used, ..self.clone() }
    }
}

impl AvrSpi<'_> {
    /// Reads ID, calibration byte, configuration and lock, twice; both must agree.
    ///
    /// # Errors
    /// [`AlgorithmError::Unsteady`] when they do not; the bus's.
    pub fn identify(&mut self) -> Result<Identity, AlgorithmError> {
        self.session(Task::Identifying)?;
        let mut reads = self.read_identity(Task::Identifying, 2)?;
        match (reads.pop(), reads.pop()) {
            (Some(second), Some(first)) if first.masked(self.chip) == second.masked(self.chip) => {
                self.known = Some(second.clone());
                Ok(second)
            }
            (second, first) => {
                let bytes = |read: Option<Identity>| {
                    read.map_or(Vec::new(), |read| [&read.id, &[read.calibration][..], &read.configuration, &[read.lock]].concat())
                };
                Err(AlgorithmError::Unsteady { task: Task::Identifying, first: bytes(first), second: bytes(second) })
            }
        }
    }

    /// Writes one configuration byte, waits, reads all of them back. Bits without a meaning are written as 1 (2549,
    /// 8271 note 4: checked). The new value has no effect before the chip leaves programming mode, except that EEPROM
    /// survives a chip erase from then on, or no longer does (8271, 2549: checked).
    ///
    /// # Errors
    /// [`AlgorithmError::NotTaken`], [`AlgorithmError::OtherByteChanged`], [`AlgorithmError::StillBusy`]; the bus's.
    pub fn write_configuration(&mut self, byte: usize, value: u8) -> Result<Identity, AlgorithmError> {
        let task = Task::WritingConfiguration(byte);
        let shape = self.chip.configuration.get(byte).ok_or(AlgorithmError::NoSuchByte { byte })?;
        let used = shape.used;
        let written = value | !used;
        let instruction = write_fuse(byte, written).ok_or(AlgorithmError::NoSuchByte { byte })?;
        let before = self.identify()?;
        let after = self.write_and_read_back(task, instruction)?;
        let pairs = before.masked(self.chip).configuration.into_iter().zip(after.masked(self.chip).configuration);
        for (at, (before, after)) in pairs.enumerate() {
            if at == byte && after != written {
                return Err(AlgorithmError::NotTaken { task, written, found: after, used });
            }
            if at != byte && after != before {
                return Err(AlgorithmError::OtherByteChanged { task, byte: at, before, after });
            }
        }
        Ok(after)
    }

    /// Writes the lock byte, waits, reads it back. Bits go from 1 to 0 only; a chip erase sets them to 1 (2549: checked).
    ///
    /// # Errors
    /// [`AlgorithmError::NotTaken`], [`AlgorithmError::StillBusy`]; the bus's.
    pub fn write_lock(&mut self, value: u8) -> Result<Identity, AlgorithmError> {
        let task = Task::WritingLock;
        let used = self.chip.lock.used;
        let written = value | !used;
        let after = self.write_and_read_back(task, write_lock(written))?;
        match after.masked(self.chip).lock {
            found if found == written => Ok(after),
            found => Err(AlgorithmError::NotTaken { task, written, found, used }),
        }
    }

    /// Erases flash and lock bits, and the EEPROM unless the configuration keeps it. Then a positive RESET pulse and an entry at
    /// the same clock (interface note 1 and 2.2: checked; newer datasheets do not print the pulse, and it does no harm).
    ///
    /// # Errors
    /// [`AlgorithmError::StillBusy`]; [`AlgorithmError::NoAnswer`] when the chip does not come back; the bus's.
    pub fn erase(&mut self) -> Result<(), AlgorithmError> {
        let session = self.session(Task::Erasing)?;
        self.known = None;
        let done = self.pace(Task::Erasing, self.chip.timings.erase_max)?.wait();
        self.run(Task::Erasing, &[transfer(CHIP_ERASE), done])?;
        self.enter_again(session.rung)
    }

    /// Fails where the lock byte forbids what `task` does. A locked chip does not refuse: it gives stand-in values (from
    /// memory) and drops writes.
    pub(super) fn check_lock(&mut self, task: Task, what: impl Fn(Forbids) -> bool) -> Result<(), AlgorithmError> {
        self.session(task)?;
        let replies = self.run(task, &[transfer(READ_LOCK)])?;
        let lock = bytes_of(&replies, 0, 4).map(|answer| answer[ANSWER]).map_err(|source| self.failed(task, source))?;
        match what(self.chip.forbids(lock)) {
            true => Err(AlgorithmError::Locked { task, lock }),
            false => Ok(()),
        }
    }

    fn write_and_read_back(&mut self, task: Task, instruction: Instruction) -> Result<Identity, AlgorithmError> {
        let done = self.pace(task, self.chip.timings.configuration_write_max)?.wait();
        self.run(task, &[transfer(instruction), done])?;
        self.identify()
    }

    /// `times` reads of everything that identifies the chip, ID first, in one list.
    pub(super) fn read_identity(&mut self, task: Task, times: usize) -> Result<Vec<Identity>, AlgorithmError> {
        let fuses = READ_FUSE.iter().take(self.chip.configuration.len());
        let instructions: Vec<Instruction> =
            (0..3).map(read_id).chain([READ_CALIBRATION]).chain(fuses.copied()).chain([READ_LOCK]).collect();
        let list = vec![Operation::Transfer(instructions.concat()); times];
        let replies = self.run(task, &list)?;
        let reads = (0..times).map(|at| {
            let bytes = bytes_of(&replies, at, instructions.len() * 4)?;
            let answers: Vec<u8> = bytes.chunks(4).map(|answer| answer[ANSWER]).collect();
            Ok(Identity {
                id: [answers[0], answers[1], answers[2]],
                calibration: answers[3],
                configuration: answers[4..answers.len() - 1].to_vec(),
                lock: answers[answers.len() - 1],
            })
        });
        reads.collect::<Result<_, _>>().map_err(|source| self.failed(task, source))
    }
}
