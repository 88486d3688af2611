//! Questions at a terminal. Without one nobody is asked, and nothing changes.

use super::interrupt;
use super::output;
use super::stop::{Code, Stop};
use super::typed::command_again;
use std::io::{self, BufRead, IsTerminal, Write};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError};
use std::time::Duration;

/// Whether somebody sits there who can be asked.
pub fn somebody_there() -> bool {
    std::io::stdin().is_terminal() && std::io::stderr().is_terminal()
}

/// How often it is looked whether Ctrl-C was pressed.
const LOOK: Duration = Duration::from_millis(50);

/// Asks and gives the answer, trimmed. `None` where the input ended (Ctrl-D) before Enter was pressed: that is no answer, and means no.
///
/// # Errors
/// When the terminal cannot be read, or Ctrl-C was pressed instead.
pub fn ask(question: &str) -> Result<Option<String>, Stop> {
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
    let entered = answer.as_ref().is_some_and(|answer| answer.ends_with('\n'));
    if !entered {
        anstream::eprintln!();
    }
    let stopped = || Stop::new(Code::Interrupted, "stopped as asked; nothing was changed");
    let answer = answer.ok_or_else(stopped)?;
    Ok(entered.then(|| answer.trim().to_owned()))
}

/// Asks whether to go on; only `word` means yes.
///
/// # Errors
/// As [`ask`].
pub fn agreed(question: &str, word: &str) -> Result<bool, Stop> {
    Ok(ask(question)?.is_some_and(|answer| answer.eq_ignore_ascii_case(word)))
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

/// Asks until `read` makes sense of the answer; why it makes none is said each time.
///
/// # Errors
/// As [`ask`], and when the input ends.
pub fn ask_for<T>(question: &str, read: impl Fn(&str) -> Result<T, String>) -> Result<T, Stop> {
    loop {
        let ended = || Stop::new(Code::Refused, "the answers ended, so this ends here; nothing was written or changed");
        match read(&ask(question)?.ok_or_else(ended)?) {
            Ok(value) => return Ok(value),
            Err(why) => output::remark(&why),
        }
    }
}

/// Lets one of `choices` be taken by its number, or as it stands there. `option` is what says it without a question, where there is one.
///
/// # Errors
/// When nobody is there to ask, or the input ends.
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
        let number = number.map(|n| n - 1).or_else(|| choices.iter().position(|choice| choice == answer));
        number.ok_or_else(|| format!("type one of the numbers 1 to {}", choices.len()))
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
