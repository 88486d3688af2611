//! Questions at a terminal. Without one nobody is asked, and nothing changes.

use super::context::command_again;
use super::interrupt;
use super::output;
use super::stop::{Code, Stop};
use std::io::{self, BufRead, IsTerminal, Write};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError};
use std::time::Duration;

/// Whether somebody sits there who can be asked.
pub fn somebody_there() -> bool {
    std::io::stdin().is_terminal() && std::io::stderr().is_terminal()
}

/// How often it is looked whether Ctrl-C was pressed.
const LOOK: Duration = Duration::from_millis(50);

/// Asks and gives the answer, trimmed. End of input is an empty answer, which always means no.
///
/// # Errors
/// When the terminal cannot be read, or Ctrl-C was pressed instead.
pub fn ask(question: &str) -> Result<String, Stop> {
    anstream::eprint!("{} ", output::fill(question));
    let flushed = io::stderr().flush();
    let (sender, answers) = mpsc::channel();
    // Ctrl-C does not end a read that waits, so the read has a thread of its own. Where nobody answers, it ends with the process.
    std::thread::spawn(move || {
        let mut answer = String::new();
        let read = io::stdin().lock().read_line(&mut answer);
        let _ = sender.send(read.map(|_| answer));
    });
    let answer = flushed.and_then(|()| answer_or_stop(&answers, &interrupt::asked));
    let answer = answer.map_err(|why| Stop::new(Code::Refused, format!("the answer could not be read: {why}")))?;
    if !answer.as_ref().is_some_and(|answer| answer.ends_with('\n')) {
        anstream::eprintln!();
    }
    let stopped = || Stop::new(Code::Interrupted, "stopped as asked; nothing was changed");
    Ok(answer.ok_or_else(stopped)?.trim().to_owned())
}

/// The answer; `None` where `stop` says so first.
fn answer_or_stop(answers: &Receiver<io::Result<String>>, stop: &dyn Fn() -> bool) -> io::Result<Option<String>> {
    loop {
        match answers.recv_timeout(LOOK) {
            _ if stop() => return Ok(None),
            Ok(answer) => return answer.map(Some),
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return Err(io::ErrorKind::BrokenPipe.into()),
        }
    }
}

/// So many answers are heard before the command gives up.
const ANSWERS: usize = 3;

/// Asks until `read` makes sense of the answer; why it makes none is said each time.
///
/// # Errors
/// As [`ask`], and when the last answer too makes no sense.
pub fn ask_for<T>(question: &str, read: impl Fn(&str) -> Result<T, String>) -> Result<T, Stop> {
    for _ in 1..ANSWERS {
        match read(&ask(question)?) {
            Ok(value) => return Ok(value),
            Err(why) => output::remark(&why),
        }
    }
    read(&ask(question)?).map_err(Stop::usage)
}

/// Lets one of `choices` be taken by its number. `option` is what says it without a question, where there is one.
///
/// # Errors
/// When nobody is there to ask, or the answer is none of them.
pub fn choose(question: &str, option: Option<&str>, choices: &[String]) -> Result<usize, Stop> {
    if !somebody_there() {
        return Err(unasked(question, option, choices));
    }
    for (n, choice) in choices.iter().enumerate() {
        anstream::eprintln!("  {}  {choice}", n + 1);
    }
    let or = option.map(|option| format!(", or give {option}")).unwrap_or_default();
    ask_for(&format!("{question} Its number{or}:"), |answer| {
        let number = answer.parse::<usize>().ok().filter(|n| (1..=choices.len()).contains(n));
        number.map(|n| n - 1).ok_or_else(|| format!("'{answer}' is none of the numbers 1 to {}", choices.len()))
    })
}

/// A question that has nobody to answer it.
fn unasked(question: &str, option: Option<&str>, choices: &[String]) -> Stop {
    let stop = Stop::usage(format!("there is nobody here to ask: {question}")).hint(format!("There are: {}.", choices.join(", ")));
    match (option, choices) {
        (Some(option), [first, ..]) => {
            stop.hint(format!("Say it with {option}, for example:")).command(command_again(&[option.to_owned(), first.clone()]))
        }
        _ => stop,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ctrl_c_ends_a_question_that_nobody_answers() {
        let (sender, answers) = mpsc::channel();
        assert_eq!(answer_or_stop(&answers, &|| true).unwrap(), None);
        sender.send(Ok("yes\n".into())).unwrap();
        assert_eq!(answer_or_stop(&answers, &|| true).unwrap(), None, "an answer typed after it does not count");
        sender.send(Ok("yes\n".into())).unwrap();
        assert_eq!(answer_or_stop(&answers, &|| false).unwrap().as_deref(), Some("yes\n"));
    }
}
