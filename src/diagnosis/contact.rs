//! The rungs up to the chip's own word: bridge, supply, lines, answer, ID bytes.

use super::cause::{Cause, CauseKind};
use super::rung::{Rung, Verdict, verdict};
use super::{Answer, Case, Told};
use crate::algorithm::avr_spi::{Evidence, Feed, NoAnswer};
use crate::board::{Chip, ClockSource, IdBytes, Way};
use crate::plan::{Observed, supply_out_of_range, wrong_chip};
use crate::units::{Hex, Millivolts};

/// Climbs them. What was read, where the chip is the board's.
pub(super) fn climb<'a>(case: &Case<'a>, told: &mut Told) -> Option<&'a Observed> {
    told.rung(
        Rung::new("bridge", BRIDGE, Verdict::Fine, format!("Yes: {}, pins at {}.", case.seen.bridge, case.seen.pin_level))
            .rules_out(BRIDGE_RULES_OUT),
    );
    match &case.seen.answer {
        Answer::Silent(no_answer) => {
            silent(case, no_answer, told);
            None
        }
        Answer::NotDriven { supply: measured, finding } => {
            supply(case, *measured, told);
            told.rung(Rung::new("lines", LINES, Verdict::Unknown, format!("Not driven. {}", finding.sentence)));
            if !told.has(CauseKind::SupplyOutOfRange) {
                told.cause(Cause::new(CauseKind::LevelsDiffer, finding.sentence.clone()));
            }
            None
        }
        Answer::Unsteady(error) => {
            told.rung(Rung::new("answer", ANSWER, Verdict::Wrong, error.clone()));
            told.cause(garbled(case, "The chip answers, and what comes back is not steady."));
            None
        }
        Answer::Read(observed) => {
            answered(case, observed, told);
            ids(case, observed, told).then_some(observed.as_ref())
        }
    }
}

pub(super) const BRIDGE: &str = "Is the bridge there?";
pub(super) const BRIDGE_RULES_OUT: &str = "the port, the cable to the bridge, its firmware";
pub(super) const SUPPLY: &str = "Is the supply right?";
pub(super) const LINES: &str = "Are the lines free?";
const RESET: &str = "Does the reset line move?";
const ANSWER: &str = "Does the chip answer, at the slowest clock first?";
const CLOCK_OUTPUT: &str = "Does it answer with a clock from the bridge?";

fn supply(case: &Case, measured: Option<Millivolts>, told: &mut Told) {
    let (least, most) = case.board.supply;
    let Some(measured) = measured else {
        let seen = format!("Not measured: this bridge cannot. A meter at the programming header must show {least} to {most}.");
        return told.rung(Rung::new("supply", SUPPLY, Verdict::Unknown, seen));
    };
    let wrong = supply_out_of_range(measured, case.board, case.chip);
    let seen = format!("{measured}; the board bears {least} to {most}.");
    told.rung(Rung::new("supply", SUPPLY, verdict(wrong.is_none()), seen).rules_out("a missing or wrong supply"));
    if let Some(finding) = wrong {
        told.cause(Cause::new(CauseKind::SupplyOutOfRange, finding.sentence));
    }
}

/// Nothing answered.
fn silent(case: &Case, no_answer: &NoAnswer, told: &mut Told) {
    let (evidence, wiring) = (no_answer.evidence, &no_answer.wiring);
    if evidence == Evidence::NoPower {
        let measured = wiring.supply.map_or(String::new(), |supply| format!(" It measures {supply} now."));
        told.rung(Rung::new("supply", SUPPLY, Verdict::Wrong, format!("{}{measured}", evidence.seen())));
        let because = "Not driven: a board without a supply would be fed through its lines.";
        told.rung(Rung::new("lines", LINES, Verdict::Unknown, because));
        return told.cause(no_supply());
    }
    supply(case, wiring.supply, told);
    let seen = wiring.lines.map_or_else(|| "They were not driven.".to_owned(), |lines| format!("{lines}."));
    let held = matches!(evidence, Evidence::SckHeldHigh | Evidence::MosiHeldHigh | Evidence::SentComesBack);
    told.rung(Rung::new("lines", LINES, verdict(!held), seen).rules_out("SCK or MOSI shorted to the supply, MOSI joined with MISO"));
    let reset_held = matches!(evidence, Evidence::ResetHeldHigh | Evidence::ResetHeldLow);
    let reset = if reset_held { evidence.seen() } else { "Yes, at the bridge's end; whether it reaches the chip is not seen." };
    told.rung(Rung::new("reset", RESET, verdict(!reset_held), reset).rules_out("RESET held by a button, a supervisor or a short"));
    match tried(no_answer) {
        Some(tried) => {
            let came = if held || reset_held { String::new() } else { format!(" {}", evidence.seen()) };
            told.rung(Rung::new("answer", ANSWER, Verdict::Wrong, format!("No: {tried}.{came}")));
            clock_output(case, no_answer, told);
        }
        None => {
            told.rung(Rung::new("answer", ANSWER, Verdict::Unknown, "Not tried: it makes no sense before what is wrong above is right."))
        }
    }
    // A wrong supply explains a silent chip.
    if !told.has(CauseKind::SupplyOutOfRange) || held || reset_held {
        told.cause(no_entry(case, no_answer));
    }
}

/// What was tried, in words; nothing where nothing was.
fn tried(no_answer: &NoAnswer) -> Option<String> {
    let clocks = || no_answer.attempts.iter().map(|attempt| attempt.rung.programming_clock);
    let tries = if no_answer.attempts.len() == 1 { "try" } else { "tries" };
    let (slowest, fastest) = clocks().min().zip(clocks().max())?;
    Some(format!("{} {tries}, programming clocks from {slowest} to {fastest}", no_answer.attempts.len()))
}

fn fed(no_answer: &NoAnswer) -> bool {
    no_answer.attempts.iter().any(|attempt| attempt.rung.clock_output.is_some())
}

fn clock_output(case: &Case, no_answer: &NoAnswer, told: &mut Told) {
    let (seen, verdict) = match (no_answer.feed, fed(no_answer)) {
        (Feed::NotTaken, _) => (format!("No matter: {}, so one on a wire changes nothing.", runs_on_its_own(case.chip)), Verdict::Unknown),
        (_, true) => ("No, with the bridge's clock output on the chip's clock pin neither.".to_owned(), Verdict::Wrong),
        (Feed::Possible, false) => (
            "Not tried: the board file does not say that the bridge's clock output is wired to the clock pin. Where it is, say so with \
             --clock-output."
                .to_owned(),
            Verdict::Unknown,
        ),
        (Feed::NoOutput, false) => ("Not tried: this bridge has no clock output.".to_owned(), Verdict::Unknown),
    };
    told.rung(Rung::new("clock-output", CLOCK_OUTPUT, verdict, seen));
}

/// Said of a chip that takes no clock from outside.
fn runs_on_its_own(chip: &Chip) -> String {
    format!("no setting of an {} that is known chooses a clock from outside", chip.part)
}

fn no_supply() -> Cause {
    Cause::new(CauseKind::NoSupply, "The bridge sees no supply at the programming header.").could_be(&[
        "The board is not fed: a meter between its VCC and GND shows it.",
        "The plug sits on the programming header the wrong way round: pin 1 of the plug belongs on pin 1 of the board.",
        "The wire to VCC or to GND is open: a meter from the bridge's end to the chip's pin shows it.",
    ])
}

fn garbled(case: &Case, sentence: &str) -> Cause {
    const SLOW: &str =
        "The chip's clock is slower than any that was tried: with the bridge's clock output (--clock-output) the answer is right.";
    let all = [
        "Long wires, or a missing ground: shorter wires and a ground wire beside SCK show it.",
        "Another part drives MISO or SCK: with that part lifted, the answer is right.",
        "The supply gives way under load: a meter shows it while the command runs.",
        SLOW,
    ];
    let fits = if case.chip.takes_a_clock() { all.len() } else { all.len() - 1 };
    Cause::new(CauseKind::GarbledAnswer, sentence).could_be(&all[..fits])
}

/// Why there was no entry, as far as it can be told.
fn no_entry(case: &Case, no_answer: &NoAnswer) -> Cause {
    let evidence = no_answer.evidence;
    match evidence {
        Evidence::SentComesBack => Cause::new(
            CauseKind::DataLinesJoined,
            "MOSI and MISO are joined, at the programming header, in the cable, or by solder at the chip: every bit comes back at once.",
        ),
        Evidence::SckHeldHigh | Evidence::MosiHeldHigh | Evidence::ResetHeldHigh | Evidence::ResetHeldLow => {
            Cause::new(CauseKind::LineHeld, format!("{} Look at {}", evidence.seen(), no_answer.look_at()))
        }
        Evidence::OtherBytes | Evidence::ShiftedByABit | Evidence::BlankId | Evidence::Unsteady => {
            garbled(case, "Something comes back from the chip, and it is not what a chip in step answers.")
        }
        Evidence::AllZeros | Evidence::AllOnes | Evidence::LowSupply | Evidence::NoPower => nothing_comes_back(case, no_answer),
    }
}

/// MISO did not move, and all that the bridge can see is right.
fn nothing_comes_back(case: &Case, no_answer: &NoAnswer) -> Cause {
    const WIRES: &str = "A wire does not reach the chip (MISO, MOSI, SCK or RESET), two are crossed, or the plug sits wrong: a meter from \
                         plug to chip pin shows it, and so does another board of this kind that answers on the same cable.";
    const DEAD: &str =
        "The chip is dead: a high-voltage programmer gets no answer either, or the chip gets hot. A new chip is the only help.";
    let (clock, wires) = (lost_clock(case, no_answer), Some(WIRES.to_owned()));
    // Without a crystal or a signal on the board its clock is lost only where somebody has set another.
    let first = if runs_on_own_oscillator(case) { [wires, clock] } else { [clock, wires] };
    let rest = [shut(case.chip), brown_out(case, no_answer), Some(DEAD.to_owned())];
    let all: Vec<String> = first.into_iter().chain(rest).flatten().collect();
    let proved = match no_answer.feed {
        Feed::NotTaken => String::new(),
        _ if fed(no_answer) => ", and a clock from the bridge does not help".to_owned(),
        _ => String::new(),
    };
    let sentence =
        format!("The chip is silent although all that the bridge can see of supply and lines is right{proved}: it is one of these.");
    let all: Vec<&str> = all.iter().map(String::as_str).collect();
    Cause::new(CauseKind::NoAnswer, sentence).could_be(&all)
}

fn runs_on_own_oscillator(case: &Case) -> bool {
    !case.board.generic && matches!(case.board.clock.source, ClockSource::Internal { .. })
}

/// That the chip has no clock, while that is possible and was not tried.
fn lost_clock(case: &Case, no_answer: &NoAnswer) -> Option<String> {
    if fed(no_answer) {
        return None;
    }
    let lost = match runs_on_own_oscillator(case) {
        true => "The configuration was set to a clock from outside, which this board does not have",
        false => "The chip has no clock",
    };
    let proof = match no_answer.feed {
        Feed::NotTaken => return None,
        Feed::Possible => {
            "wire the bridge's clock output to its clock pin (XTAL1 or CLKI in its datasheet) and run this again with --clock-output; if \
             it answers then, that is it."
        }
        Feed::NoOutput => {
            "a bridge with a clock output, or a signal of 1 MHz on the clock pin (XTAL1 or CLKI in its datasheet), makes it answer; then \
             that is it."
        }
    };
    Some(format!("{lost}: {proof}"))
}

/// That the configuration shut the programming header, by those fields with which this chip can do it.
fn shut(chip: &Chip) -> Option<String> {
    let shuts = chip.fields.iter().filter(|field| field.values.iter().any(|value| value.shuts.contains(&Way::Spi)));
    let fields: Vec<&str> = shuts.map(|field| field.name.as_str()).collect();
    (!fields.is_empty()).then(|| {
        format!(
            "The configuration shut the programming header (by {}): only a high-voltage programmer gets in and can set it back; \
             if that one reads the chip, this is it.",
            fields.join(", ")
        )
    })
}

/// That the brown-out detector holds the chip, unless the supply was measured above its highest level.
fn brown_out(case: &Case, no_answer: &NoAnswer) -> Option<String> {
    let fields = || case.chip.fields.iter().filter(|field| field.name.starts_with("brown-out"));
    fields().next()?;
    let highest = fields().flat_map(|field| &field.values).filter_map(|value| value.resets_below).max();
    let supply = case.board.chip_supply(no_answer.wiring.supply);
    let Some(level) = highest else {
        return Some("The brown-out detector holds the chip: a higher supply, as far as the board bears it, makes it answer.".to_owned());
    };
    let measured = no_answer.wiring.supply.is_some();
    // The level that a chip has differs from chip to chip by a tenth at most: datasheets, table 'BODLEVEL fuse coding'; from memory.
    let above = measured && u64::from(supply.0) * 10 > u64::from(level.0) * 11;
    let help = match level < case.board.supply.1 {
        true => "a supply above that, as far as the board bears it, makes it answer".to_owned(),
        false => format!(
            "the board bears {} at most, so it takes a high-voltage programmer, or a higher supply off the board",
            case.board.supply.1
        ),
    };
    (!above).then(|| format!("The brown-out detector, whose highest level is {level}, holds the chip at {supply}: {help}."))
}

/// The chip answered, which proves the wires.
fn answered(case: &Case, observed: &Observed, told: &mut Told) {
    let Some(access) = &observed.access else { return };
    supply(case, access.supply, told);
    let lines = "Yes: the chip's answers come through all of them.";
    told.rung(Rung::new("lines", LINES, Verdict::Fine, lines).rules_out("wires, plug, shorts"));
    told.rung(
        Rung::new("reset", RESET, Verdict::Fine, "Yes: the chip was brought into programming mode by it.")
            .rules_out("RESET disabled or held"),
    );
    let tries = if access.tries == 1 { "the first try".to_owned() } else { format!("{} tries", access.tries) };
    match access.clock_output {
        None => {
            let seen = format!("Yes: after {tries}; it works with a programming clock of {}.", access.programming_clock);
            told.rung(Rung::new("answer", ANSWER, Verdict::Fine, seen).rules_out("a dead chip, a missing clock, a header that is shut"));
        }
        Some(fed) => {
            told.rung(Rung::new("answer", ANSWER, Verdict::Wrong, "No, not by its own clock."));
            let seen = format!("Yes: with {fed} on its clock pin, after {tries} in all.");
            told.rung(Rung::new("clock-output", CLOCK_OUTPUT, Verdict::Fine, seen).rules_out("a dead chip, a header that is shut"));
        }
    }
}

/// Whether the ID bytes are the board's chip's.
fn ids(case: &Case, observed: &Observed, told: &mut Told) -> bool {
    const QUESTION: &str = "Are the ID bytes those of this board's chip?";
    let Some(id) = observed.id else { return false };
    let hex = Hex(&id);
    let Some(finding) = wrong_chip(id, case.chip) else {
        told.rung(
            Rung::new("id", QUESTION, Verdict::Fine, format!("Yes: {hex}, {}.", case.chip.part))
                .rules_out("another chip, a bad connection"),
        );
        return true;
    };
    let (cause, what) = match IdBytes::of(id, case.chip) {
        IdBytes::Spoiled(why) => (garbled(case, &format!("The ID bytes are {hex}, {why}.")), why),
        IdBytes::Of(parts) => (Cause::new(CauseKind::AnotherChip, finding.sentence), format!("which is {}", parts.join(" or "))),
        IdBytes::OfRefused(refused) => (Cause::new(CauseKind::AnotherChip, finding.sentence), format!("which is {}", refused.part)),
        IdBytes::Unknown => (Cause::new(CauseKind::AnotherChip, finding.sentence), "which is no chip that is described here".to_owned()),
    };
    told.rung(Rung::new("id", QUESTION, Verdict::Wrong, format!("No: {hex}, {what}.")));
    told.cause(cause);
    false
}
