//! Questions at a terminal. Without one nobody is asked, and nothing changes.

use super::stop::{Code, Stop};
use std::io::{BufRead, IsTerminal, Write};

/// Whether somebody sits there who can be asked.
pub fn somebody_there() -> bool {
    std::io::stdin().is_terminal() && std::io::stderr().is_terminal()
}

/// Asks and gives the answer, trimmed. End of input is an empty answer, which always means no.
///
/// # Errors
/// When the terminal cannot be read.
pub fn ask(question: &str) -> Result<String, Stop> {
    anstream::eprint!("{question} ");
    let mut answer = String::new();
    let read = std::io::stderr().flush().and_then(|()| std::io::stdin().lock().read_line(&mut answer));
    read.map_err(|why| Stop::new(Code::Refused, format!("the answer could not be read: {why}")))?;
    Ok(answer.trim().to_owned())
}

/// Lets one of `choices` be taken by its number.
///
/// # Errors
/// When nobody is there to ask, or the answer is none of them.
pub fn choose(question: &str, choices: &[String]) -> Result<usize, Stop> {
    if !somebody_there() {
        let list = choices.join(", ");
        return Err(Stop::usage(format!("{question} This cannot be asked here. The choices are: {list}.")));
    }
    for (n, choice) in choices.iter().enumerate() {
        anstream::eprintln!("  {}  {choice}", n + 1);
    }
    let answer = ask(question)?;
    answer
        .parse::<usize>()
        .ok()
        .filter(|n| (1..=choices.len()).contains(n))
        .map(|n| n - 1)
        .ok_or_else(|| Stop::usage(format!("'{answer}' is none of the numbers 1 to {}", choices.len())))
}
