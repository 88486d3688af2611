//! A plan held against every other part that answers with the same ID bytes.

use super::made_up::{configure, factory, pace};
use farrier::board::{Board, Catalog, Chip, ClockSource, Role, Way};
use farrier::finding::Finding;
use farrier::plan::*;

/// The generic board of a part.
fn generic(part: &str) -> (Board, Chip) {
    Catalog::built_in().board(&format!("generic-{}", part.to_ascii_lowercase())).expect("a generic board")
}

/// Every chip with every other that has its ID.
pub fn pairs() -> Vec<(Chip, Chip)> {
    let catalog = Catalog::built_in();
    let chips: Vec<Chip> = catalog.chip_parts().iter().map(|part| catalog.chip(part).expect("a chip")).collect();
    let pair = |chip: &Chip| catalog.others_with_id(chip).into_iter().map(|other| (chip.clone(), other)).collect::<Vec<_>>();
    chips.iter().flat_map(pair).collect()
}

/// The configuration that a plan leaves, and what is said of other parts; `None` where it is refused.
fn planned(chip: &Chip, board: &Board, before: &[u8], intent: &Intent, others: &[Chip]) -> Option<(Vec<u8>, Option<Finding>)> {
    let observed = Observed { configuration: Some(before.to_vec()), access: None, ..factory(chip) };
    let (desired, _) = desire(intent, &observed, chip, board).ok()?;
    let target = Target { chip, way_in: &chip.ways_in[0], board, pace: pace() };
    let (plan, _) = reconcile(&observed, &desired, &target).ok()?;
    let kinds = || plan.steps().iter().map(|step| &step.kind);
    let mut after = before.to_vec();
    for kind in kinds() {
        if let StepKind::WriteConfiguration { byte, value } = kind {
            after[*byte] = *value;
        }
    }
    Some((after, part_of_same_id(before, kinds(), chip, others)))
}

fn of(part: &str, field: &str, value: &str) -> Vec<Finding> {
    let (board, chip) = generic(part);
    let others = Catalog::built_in().others_with_id(&chip);
    let planned = planned(&chip, &board, &chip.factory_configuration(), &configure(field, value), &others);
    planned.expect("it is not refused").1.into_iter().collect()
}

/// The bit of the upper EEPROM's lock is DWEN on the other part; that of the watchdog is the same on both.
pub fn part_of_same_id_cases() -> (Vec<Finding>, Vec<Finding>) {
    (of("ATA6285", "upper-eeprom", "locked"), of("ATA6285", "watchdog", "always-on"))
}

#[test]
fn it_names_the_other_part_what_becomes_of_it_and_its_board() {
    let [finding] = of("ATA6285", "upper-eeprom", "locked").try_into().expect("one finding");
    for said in ["AT90USB82", "DWEN becomes 'on'", "1E 93 82", "If it is ATA6285", "--board generic-at90usb82"] {
        assert!(finding.sentence.contains(said), "{said}: {}", finding.sentence);
    }
    let [finding] = of("AT90USB82", "clock", "external").try_into().expect("one finding");
    assert!(finding.sentence.contains("ATA6285 or ATA6286 or ATA6289, FRCFS becomes"), "{}", finding.sentence);
}

/// Whether the header is shut, by the chip file alone.
fn shut(chip: &Chip, configuration: &[u8]) -> bool {
    chip.decode(configuration).iter().any(|setting| setting.value.is_some_and(|value| value.shuts.contains(&Way::Spi)))
}

/// What kind of clock runs a chip; the range that a crystal may have is left out.
fn clock(chip: &Chip, configuration: &[u8]) -> (Option<ClockSource>, bool) {
    let source = chip.clock_source(configuration).map(|source| match source {
        // A crystal of 0.9 to 3 MHz is another code than one of 8 to 16, and one of 0.4 to 16 the same as one of 0.4 to 20.
        ClockSource::Crystal { from_hz, .. } => ClockSource::Crystal { from_hz, to_hz: from_hz },
        other => other,
    });
    let divider = chip.field_for(Role::ClockDivider).and_then(|field| field.read(configuration)?.value);
    (source, divider.is_some_and(|value| value.name == "on"))
}

/// Each value of each field, from the configuration that either part is shipped with.
#[test]
fn no_part_of_an_id_is_shut_or_gets_another_clock_than_the_plan_says_without_the_consent() {
    let (mut plans, mut asked) = (0, 0);
    for (chip, other) in pairs() {
        let (board, _) = generic(&chip.part);
        for start in [chip.factory_configuration(), other.factory_configuration()] {
            let mut before = start.clone();
            before.resize(chip.configuration.len(), 0xFF);
            for (field, value) in chip.fields.iter().flat_map(|field| field.values.iter().map(move |value| (field, value))) {
                let intent = configure(&field.name, &value.name);
                let Some((after, finding)) = planned(&chip, &board, &before, &intent, std::slice::from_ref(&other)) else { continue };
                let case = format!("{} taken as {}: {}={}", other.part, chip.part, field.name, value.name);
                plans += 1;
                asked += u32::from(finding.is_some());
                if finding.is_some() {
                    continue;
                }
                assert!(shut(&other, &before) || !shut(&other, &after), "{case}: it is shut");
                let (was, is, meant) = (clock(&other, &before), clock(&other, &after), clock(&chip, &after));
                assert!(was.0 == is.0 || meant.0 == is.0, "{case}: {is:?} and not {meant:?}");
                assert!(was.1 == is.1 || meant.1 == is.1, "{case}: {is:?} and not {meant:?}");
            }
        }
    }
    println!("{plans} plans, {asked} with a question");
    assert!(asked > 50 && asked * 20 < plans, "{asked} of {plans} plans ask");
}

/// Every other shares more than its ID, so nobody is asked for nothing.
#[test]
fn only_these_parts_differ_from_another_of_their_id() {
    let mut differ: Vec<String> = Vec::new();
    for (chip, other) in pairs() {
        let found = parts_that_differ(&chip.factory_configuration(), &chip, std::slice::from_ref(&other));
        assert!(found.is_empty() || found == [other.part.as_str()]);
        if !found.is_empty() && !differ.contains(&chip.part) {
            differ.push(chip.part);
        }
    }
    differ.sort();
    assert_eq!(differ, EXPECTED);
}

/// Found by hand in the chip files: some value of theirs, set in the configuration as shipped, is another clock or a shut header on a part
/// of the same ID, or that part's memories are others. The bit that divides the clock of an ATmega16HVB is 0 in the rev. B as shipped.
const EXPECTED: [&str; 7] = ["AT90PWM2B", "AT90PWM316", "AT90PWM3B", "AT90USB82", "ATA6285", "ATA6286", "ATA6289"];

/// With a crystal that only one of the two is said to bear, both run.
#[test]
fn a_faster_crystal_is_no_other_clock() {
    let (_, chip) = generic("ATmega328P");
    let others = Catalog::built_in().others_with_id(&chip);
    assert!(!others.is_empty());
    let before = chip.factory_configuration();
    let crystal = chip.field_for(Role::Clock).expect("a field").values.iter().find(|value| value.name == "crystal-full-swing").expect("it");
    let mut after = before.clone();
    chip.field_for(Role::Clock).expect("a field").set(&mut after, crystal.bits);
    let step = StepKind::WriteConfiguration { byte: 0, value: after[0] };
    assert_eq!(part_of_same_id(&before, std::iter::once(&step), &chip, &others), None);
}
