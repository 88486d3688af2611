//! Consents and the last question before a change.

use super::ask;
use super::context::Context;
use super::stop::{Code, Stop};
use super::typed::command_again;
use crate::finding::{Finding, Kind, Severity};
use crate::record::Accepted;

/// The finding that `--accept` names.
///
/// # Errors
/// A name that no finding has that asks for a consent.
pub fn acceptable(name: &str) -> Result<Kind, String> {
    let asking = |kind: &&Kind| kind.severity() == Severity::Consent && kind.name() == name;
    Kind::ALL.iter().find(asking).copied().ok_or_else(|| "no such consent; see `farrier explain`".to_owned())
}

/// Whether somebody can be asked, and wants to be.
pub fn can_ask(context: &Context) -> bool {
    !context.global.json && ask::somebody_there()
}

/// Gathers a consent for every finding that needs one: given by `--accept`, given earlier for the same stake, or typed at the terminal.
///
/// # Errors
/// When one is missing; the whole command to run is in it.
pub fn gather(context: &Context, findings: &[Finding], earlier: &[Accepted]) -> Result<Vec<Accepted>, Stop> {
    let (mut given, mut missing) = (Vec::new(), Vec::new());
    for finding in findings.iter().filter(|finding| finding.severity() == Severity::Consent) {
        let consent = Accepted { finding: finding.kind.name().to_owned(), stake: finding.stake.clone() };
        let named = context.global.accept.contains(&finding.kind);
        let given_now = named || earlier.contains(&consent) || (can_ask(context) && typed(finding)?);
        if given_now { given.push(consent) } else { missing.push(finding.clone()) }
    }
    if missing.is_empty() {
        return Ok(given);
    }
    let mut names: Vec<&str> = missing.iter().map(|finding| finding.kind.name()).collect();
    names.dedup();
    let accepts: Vec<String> = names.iter().flat_map(|name| ["--accept".to_owned(), (*name).to_owned()]).collect();
    // As text they stand under the plan already.
    let shown_again = if context.global.json { missing.clone() } else { Vec::new() };
    let what = format!("consent is missing for {}; nothing was changed", names.join(", "));
    Err(Stop::new(Code::Refused, what).hint("If that is what you want:").command(command_again(&accepts)).findings(shown_again))
}

/// The last question. `--yes` answers it.
///
/// # Errors
/// When the answer is no, or nobody can be asked.
pub fn confirm(context: &Context, what: &str) -> Result<(), Stop> {
    if context.global.yes {
        return Ok(());
    }
    if !can_ask(context) {
        let stop = Stop::new(Code::Refused, "nobody is here to say yes, so nothing was changed");
        return Err(stop.hint("To carry the plan out:").command(command_again(&["--yes".to_owned()])));
    }
    match ask::agreed(&format!("{what} Go ahead? Type yes; Enter means no:"), "yes")? {
        true => Ok(()),
        false => Err(Stop::new(Code::Refused, "nothing was changed")
            .hint("To see the plan again and be asked again:")
            .command(command_again(&[]))),
    }
}

/// Consent at the terminal: the finding's name, typed.
fn typed(finding: &Finding) -> Result<bool, Stop> {
    let name = finding.kind.name();
    ask::agreed(&format!("Type {name} to accept it; Enter means no:"), name)
}
