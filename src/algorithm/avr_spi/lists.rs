//! Lists of bus operations: one at a time, or several in flight; taking replies apart.

use super::instruction::Instruction;
use super::{AlgorithmError, AvrSpi, Task};
use crate::bus::{BusError, Operation, Reply, Ticket, Why};
use crate::units::Hertz;
use std::collections::VecDeque;
use std::ops::ControlFlow;
use std::time::Duration;

/// Lists in flight: one that the bridge works on, one that it holds ready, and two on the way.
const IN_FLIGHT: usize = 4;
/// The bytes of one operation are chosen so that it takes about this long; a stop is then heard soon, and no answer is waited for too long.
const OPERATION_TIME: Duration = Duration::from_millis(250);

impl AvrSpi<'_> {
    /// Carries one list out.
    pub(super) fn run(&mut self, task: Task, list: &[Operation]) -> Result<Vec<Reply>, AlgorithmError> {
        self.bus.run(list).map_err(|source| self.explain(task, list, source))
    }

    /// Carries lists out with several in flight, and hands each one's replies to `take` in order. A `Break` from `take` submits
    /// no more; what is in flight is finished and taken as well. After an error nothing is left in flight.
    pub(super) fn run_all<J>(
        &mut self,
        task: impl Fn(&J) -> Task,
        lists: impl Iterator<Item = (J, Vec<Operation>)>,
        mut take: impl FnMut(J, Vec<Reply>) -> Result<ControlFlow<()>, BusError>,
    ) -> Result<ControlFlow<()>, AlgorithmError> {
        let mut lists = lists.fuse();
        let mut flying: VecDeque<(Ticket, J, Vec<Operation>)> = VecDeque::new();
        let mut ended = ControlFlow::Continue(());
        loop {
            while flying.len() < IN_FLIGHT && ended.is_continue() {
                let Some((job, list)) = lists.next() else { break };
                match self.bus.submit(&list) {
                    Ok(ticket) => flying.push_back((ticket, job, list)),
                    Err(source) => return Err(self.land(flying, task(&job), &list, source)),
                }
            }
            let Some((ticket, job, list)) = flying.pop_front() else { return Ok(ended) };
            let at = task(&job);
            match self.bus.collect(ticket).and_then(|replies| take(job, replies)) {
                Ok(ControlFlow::Continue(())) => {}
                Ok(ControlFlow::Break(())) => ended = ControlFlow::Break(()),
                Err(source) => return Err(self.land(flying, at, &list, source)),
            }
        }
    }

    /// After an error: collects what is still in flight, so that the bus begins afresh with the next list.
    fn land<J>(
        &mut self,
        flying: VecDeque<(Ticket, J, Vec<Operation>)>,
        task: Task,
        list: &[Operation],
        source: BusError,
    ) -> AlgorithmError {
        for (ticket, ..) in flying {
            let _ = self.bus.collect(ticket);
        }
        self.explain(task, list, source)
    }

    /// A poll that timed out is the chip's failure, not the bus's.
    fn explain(&mut self, task: Task, list: &[Operation], source: BusError) -> AlgorithmError {
        if let BusError::Failed { operation, why: Why::PollTimedOut { last } } = source
            && let Some(Operation::Poll { limit, .. }) = list.get(operation)
        {
            self.entered = None;
            return AlgorithmError::StillBusy { task, limit: *limit, last };
        }
        self.failed(task, source)
    }

    /// How many units of `bytes_each` instructions fit an operation of reasonable length at the present clock; at least 1.
    pub(super) fn units_an_operation(&self, bytes_each: u32) -> u32 {
        let clock = self.entered.map_or(Hertz(0), |session| session.programming_clock);
        let instructions = OPERATION_TIME.as_millis() as u64 * u64::from(clock.0) / 32_000;
        (instructions / u64::from(bytes_each.max(1))).clamp(1, u64::from(u32::MAX)) as u32
    }
}

pub(super) fn transfer(instruction: Instruction) -> Operation {
    Operation::Transfer(instruction.to_vec())
}

fn nonsense(what: &str) -> BusError {
    BusError::Nonsense { what: what.to_owned() }
}

/// The bytes of reply `at`, which must be `len`.
pub(super) fn bytes_of(replies: &[Reply], at: usize, len: usize) -> Result<&[u8], BusError> {
    match replies.get(at) {
        Some(Reply::Bytes(bytes)) if bytes.len() == len => Ok(bytes),
        Some(Reply::Bytes(bytes)) => Err(nonsense(&format!("{} bytes instead of {len}", bytes.len()))),
        _ => Err(nonsense("no bytes in reply to a transfer")),
    }
}

/// The checksums of reply `at`, which must be `len`.
pub(super) fn checksums_of(replies: &[Reply], at: usize, len: usize) -> Result<&[u32], BusError> {
    match replies.get(at) {
        Some(Reply::Crc32(sums)) if sums.len() == len => Ok(sums),
        Some(Reply::Crc32(sums)) => Err(nonsense(&format!("{} checksums instead of {len}", sums.len()))),
        _ => Err(nonsense("no checksums in reply to a checksum pattern")),
    }
}
