//! What `revive` tells, as text and as JSON.

use super::board_view;
use super::change::Scene;
use super::console::Watched;
use super::context::Context;
use super::output::{self, Offer};
use super::revive::code;
use super::stop::{Code, Stop};
use super::typed;
use super::typed::{command_again, command_with, command_with_clock_output};
use crate::diagnosis::{self, Answer, CauseKind, Diagnosis, Rung, Seen, Verdict};
use serde_json::{Value, json};
use std::process::ExitCode;

/// Said with every diagnosis.
const PROMISE: &str = "Nothing was changed so far: revive reads first, and erases nothing without consent.";

/// Prints a rung.
pub fn rung(n: usize, rung: &Rung) {
    output::line(format!("{n:>2}  {}", rung.question));
    let word = match rung.verdict {
        Verdict::Fine => "right",
        Verdict::Wrong => "wrong",
        Verdict::Unknown => "open",
    };
    let rules_out = rung.rules_out.map(|what| format!(" Rules out: {what}.")).unwrap_or_default();
    output::say_under(&format!("    {word:<7}"), format!("{}{rules_out}", rung.seen));
}

/// Prints the rungs, where they do not stand there already, and the diagnosis.
pub fn tell(diagnosis: &Diagnosis, with_rungs: bool) {
    output::gap();
    if with_rungs {
        diagnosis.rungs.iter().enumerate().for_each(|(n, of)| rung(n + 1, of));
        output::gap();
    }
    let name = diagnosis.lead().map_or("nothing-wrong", CauseKind::name);
    output::say_under("Diagnosis  ", format!("{name}: {}", diagnosis.sentence()));
    for cause in diagnosis.causes.iter().skip(1) {
        output::say_under("Also       ", format!("{}: {}", cause.kind.name(), cause.sentence));
    }
    for cause in &diagnosis.causes {
        for (n, possibility) in cause.could_be.iter().enumerate() {
            output::say_under(&format!("{:<11}{}. ", if n == 0 { "Could be" } else { "" }, n + 1), possibility);
        }
    }
    if !diagnosis.remedy.does.is_empty() {
        output::say_under("Mends it   ", format!("The plan {}.", diagnosis.remedy.does.join("; ")));
    }
    let label = if diagnosis.remedy.does.is_empty() { "Needs      " } else { "Left       " };
    for left in &diagnosis.remedy.left {
        output::say_under(label, left);
    }
    output::say(PROMISE);
}

/// The diagnosis as JSON: `rungs` (`name`, `question`, `verdict`: fine, wrong or unknown, `seen`, `rules_out`), `causes` (`kind`,
/// `sentence`, `could_be`), the one that explains most first, `sentence`, `mends` (what the plan does) and `left` (what no plan mends).
pub fn as_json(diagnosis: &Diagnosis) -> Value {
    json!({
        "rungs": diagnosis.rungs, "causes": diagnosis.causes, "sentence": diagnosis.sentence(),
        "mends": diagnosis.remedy.does, "left": diagnosis.remedy.left,
    })
}

/// Ends where no plan follows.
pub fn no_plan(context: &Context, scene: &Scene, (seen, diagnosis): (&Seen, &Diagnosis), watched: Option<&Watched>) -> ExitCode {
    if context.global.json {
        output::json(&json!({
            "result": "no-plan", "board": scene.board.name, "chip": scene.chip.part, "via": scene.via, "simulated": scene.simulated,
            "diagnosis": as_json(diagnosis), "watched": watched.map(Watched::as_json),
        }));
    } else {
        if let Some(watched) = watched {
            watched.tell();
        }
        output::next_of(&next(scene, seen, diagnosis));
    }
    match code(diagnosis) {
        ExitCode::SUCCESS if !diagnosis.remedy.left.is_empty() => ExitCode::from(Code::Differs as u8),
        ExitCode::SUCCESS => Watched::code(watched),
        wrong => wrong,
    }
}

/// What may come next where no plan follows.
fn next(scene: &Scene, seen: &Seen, diagnosis: &Diagnosis) -> Vec<Offer> {
    use CauseKind::{
        AnotherChip, AsShipped, DataLinesJoined, GarbledAnswer, LineHeld, NoAnswer, NoSupply, SettingsBlank, SupplyOutOfRange,
    };
    let at = |command: &str| format!("farrier {command} --via {}", typed::at(scene.via));
    let look = || board_view::look(&typed::at(scene.via));
    let by_command = diagnosis.remedy.by_command.iter().map(|(command, what)| (at(command), *what));
    if !diagnosis.remedy.by_command.is_empty() {
        let say = diagnosis.remedy.say_to.iter().map(|to| (command_with("--to", to), "say what should be there"));
        return by_command.chain(say).chain([look()]).collect();
    }
    match (diagnosis.lead(), &diagnosis.remedy.say_to) {
        (None, _) => vec![look()],
        (Some(AsShipped), _) if scene.board.reservation.is_some() => vec![(at("loader install"), "fit a loader")],
        (Some(AsShipped), _) => vec![(at("write APPLICATION"), "an application, through the programming header")],
        (Some(AnotherChip), _) => vec![("farrier boards".to_owned(), "which boards there are")],
        (_, Some(to)) => vec![(command_with("--to", to), "say what should be there")],
        (Some(SettingsBlank), None) => vec![("farrier snapshot list".to_owned(), "what is kept of boards")],
        (Some(NoSupply | SupplyOutOfRange | LineHeld | DataLinesJoined | GarbledAnswer | NoAnswer), None) => {
            let repair = |sim| {
                (format!("farrier sim repair {}", typed::quoted(sim)), "the hand that this simulated board needs: takes its faults away")
            };
            let repair = scene.via.strip_prefix("sim:").map(repair);
            let unfed = matches!(&seen.answer, Answer::Silent(no_answer) if no_answer.clock_output_untried());
            let fed = command_with_clock_output().map(|fed| (fed, "once the bridge's clock output is wired to the clock pin"));
            let again = (command_again(&[]), "looks again, once what is listed above was gone through");
            let fed = fed.filter(|_| unfed && diagnosis.lead() == Some(NoAnswer));
            fed.into_iter().chain(repair).chain([again]).collect()
        }
        (Some(_), None) => vec![(at("revive"), "looks again")],
    }
}

/// The plan is carried out, and something is left that none mends.
pub fn still_left(context: &Context) -> ExitCode {
    if !context.global.json {
        output::say("What stands under 'Left' above is still to be done.");
    }
    ExitCode::from(Code::Differs as u8)
}

/// The ladder ends before the board: no bridge answers, or it may not drive the board.
///
/// # Errors
/// As text, the reason once more, with what to do next.
pub fn not_connected(context: &Context, stop: Stop) -> Result<ExitCode, Stop> {
    let diagnosis = match stop.what_it_found() {
        [] if stop.code() == Code::NoAnswer => diagnosis::no_bridge(stop.message()),
        [] => return Err(stop),
        findings => diagnosis::not_driven(findings),
    };
    if context.global.json {
        output::json(&json!({ "result": "no-plan", "diagnosis": as_json(&diagnosis) }));
        return Ok(code(&diagnosis));
    }
    tell(&diagnosis, true);
    Err(stop.findings(Vec::new()))
}
