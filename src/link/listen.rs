//! Listening to what a board says on its console.

use super::Wire;
use std::io;
use std::ops::ControlFlow;
use std::time::Duration;

/// What a board said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Said {
    pub bytes: Vec<u8>,
    /// How long it took until the wanted text was complete; `None` where it did not come.
    pub wanted_after: Option<Duration>,
}

/// How long to listen at once; between two looks it may be stopped.
const LOOK: Duration = Duration::from_millis(50);

/// Listens until `wanted` was said, or `within` is over. `before` was heard already.
///
/// # Errors
/// The wire's own.
pub fn listen_for(
    wire: &mut dyn Wire,
    wanted: &str,
    before: &[u8],
    within: Duration,
    go_on: &mut dyn FnMut() -> ControlFlow<()>,
) -> io::Result<Said> {
    let clock = wire.clock();
    let mut bytes = before.to_vec();
    let since = clock.now();
    let deadline = since.plus(within);
    loop {
        let now = clock.now();
        if !wanted.is_empty() && bytes.windows(wanted.len()).any(|window| window == wanted.as_bytes()) {
            return Ok(Said { bytes, wanted_after: Some(now.since(since)) });
        }
        if now >= deadline || go_on().is_break() {
            return Ok(Said { bytes, wanted_after: None });
        }
        wire.receive(&mut bytes, deadline.min(now.plus(LOOK)))?;
    }
}
