//! What every plan must do, over random boards, intents and cuts.

use super::made_up::*;
use farrier::board::{Board, Chip};
use farrier::image::{ByteAddress, Image, Span};
use farrier::plan::*;
use proptest::prelude::*;
use proptest::test_runner::{Config, TestCaseError, TestError, TestRunner};

/// A board in some state, and what is wanted of it.
#[derive(Clone)]
struct Case {
    kind: Kind,
    /// What the chip really holds; a locked one shows only part of it.
    flash: Vec<u8>,
    eeprom: Vec<u8>,
    configuration: Vec<u8>,
    lock: u8,
    intent: Intent,
    seed: u64,
}

impl std::fmt::Debug for Case {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let set = |bytes: &[u8]| bytes.iter().filter(|byte| **byte != 0xFF).count();
        let extent = |image: &NamedImage| image.image.extent().map(|span| span.to_string());
        let loader = match &self.intent.loader {
            LoaderIntent::Install(image) => extent(image),
            other => Some(format!("{other:?}")),
        };
        let application = match &self.intent.application {
            ApplicationIntent::Write(image) => extent(image),
            ApplicationIntent::Keep => None,
        };
        write!(f, "{:?}, {} bytes of flash and {} of EEPROM set, ", self.kind, set(&self.flash), set(&self.eeprom))?;
        write!(f, "configuration {:02X?}, lock {:02X}, loader {loader:?}, application {application:?}, ", self.configuration, self.lock)?;
        let eeprom = self.intent.eeprom.as_ref().map(extent);
        write!(f, "eeprom {eeprom:?}, fields {:?}, lock {:?}, seed {}", self.intent.configuration, self.intent.lock, self.seed)
    }
}

impl Case {
    fn chip(&self) -> Chip {
        chip(self.kind)
    }

    fn state(&self) -> State {
        State {
            flash: self.flash.iter().copied().map(Some).collect(),
            eeprom: self.eeprom.iter().copied().map(Some).collect(),
            configuration: self.configuration.iter().copied().map(Bits::known).collect(),
            in_force: self.configuration.iter().copied().map(Bits::known).collect(),
            lock: Bits::known(self.lock),
            entered: false,
            clock_unproven: false,
        }
    }
}

/// Flash with an application, a loader, both or none.
fn flash() -> impl Strategy<Value = Vec<u8>> {
    let application = prop_oneof![Just(0usize), 8usize..400, 8usize..0x600, 8usize..0x800];
    (application, any::<u8>(), proptest::option::of(0usize..512)).prop_map(|(len, seed, loader)| {
        let mut image = Image::of(ByteAddress(0), &[0xFF; FLASH as usize]);
        image.overlay(&program(0, len, seed));
        if let Some(len) = loader {
            image.overlay(&program(RESERVED.0, len, seed ^ 0x55));
        }
        image.filled(Span::first(FLASH), 0xFF)
    })
}

fn any_eeprom() -> impl Strategy<Value = Vec<u8>> {
    proptest::collection::vec(any::<u8>(), EEPROM as usize)
}

fn eeprom() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![Just(vec![0xFF; EEPROM as usize]), any_eeprom()]
}

fn image(start: std::ops::Range<u32>, len: std::ops::Range<usize>) -> impl Strategy<Value = Image> {
    (start, len, any::<u8>()).prop_map(|(at, len, seed)| program(at, len, seed))
}

/// A named value of every configuration field, and so of every byte; none shuts the programming header.
fn configuration(chip: &Chip) -> impl Strategy<Value = Vec<u8>> + use<> {
    let chip = chip.clone();
    proptest::collection::vec(any::<u8>(), chip.fields.len()).prop_map(move |choices| {
        let mut bytes = vec![0xFF; chip.configuration.len()];
        for (field, choice) in chip.fields.iter().zip(choices) {
            let open: Vec<_> = field.values.iter().filter(|value| value.shuts.is_empty()).collect();
            let bits = open[choice as usize % open.len()].bits;
            bytes[field.byte] = bytes[field.byte] & !field.mask | bits << field.mask.trailing_zeros();
        }
        bytes
    })
}

fn lock() -> impl Strategy<Value = u8> {
    let programming = prop_oneof![4 => Just(0x03u8), 2 => Just(0x02u8), 1 => Just(0x00u8)];
    (programming, 0u8..16).prop_map(|(programming, boot)| 0xC0 | boot << 2 | programming)
}

/// Values for a few fields, shutting ones among them.
fn choices(fields: &[farrier::board::Field], most: usize) -> impl Strategy<Value = Vec<(String, String)>> + use<> {
    let all: Vec<(String, String)> =
        fields.iter().flat_map(|field| field.values.iter().map(|value| (field.name.clone(), value.name.clone()))).collect();
    proptest::collection::vec(proptest::sample::select(all), 0..=most)
}

fn intent(chip: &Chip) -> impl Strategy<Value = Intent> + use<> {
    let loader = prop_oneof![
        Just(LoaderIntent::Keep),
        image(RESERVED.0..RESERVED.0 + 1, 8..512).prop_map(|image| LoaderIntent::Install(named("vent-loader", image))),
        Just(LoaderIntent::Remove),
    ];
    let application = prop_oneof![
        Just(ApplicationIntent::Keep),
        image(0..1, 8..0x5FF).prop_map(|image| ApplicationIntent::Write(named("vent.hex", image))),
        image(0..0x700, 8..0x80).prop_map(|image| ApplicationIntent::Write(named("part.hex", image))),
    ];
    let eeprom = prop_oneof![
        3 => Just(None),
        1 => (image(0..32, 8..32)).prop_map(|image| Some(named("settings.hex", image))),
        1 => any_eeprom().prop_map(|all| Some(named("all.hex", Image::of(ByteAddress(0), &all)))),
    ];
    let lock = prop_oneof![2 => Just(Vec::new()), 1 => choices(&chip.lock_fields, 2)];
    let configuration = prop_oneof![1 => Just(Vec::new()), 1 => choices(&chip.fields, 3)];
    (loader, application, eeprom, configuration, lock).prop_map(|(loader, application, eeprom, configuration, lock)| Intent {
        restore: None,
        loader,
        application,
        eeprom,
        configuration,
        configuration_image: None,
        lock,
    })
}

fn case() -> impl Strategy<Value = Case> {
    prop_oneof![Just(Kind::Usual), Just(Kind::Cramped), Just(Kind::Unprotected)].prop_flat_map(|kind| {
        let chip = chip(kind);
        (flash(), eeprom(), configuration(&chip), lock(), intent(&chip), any::<u64>()).prop_map(
            move |(flash, eeprom, configuration, lock, intent, seed)| Case { kind, flash, eeprom, configuration, lock, intent, seed },
        )
    })
}

/// Runs a plan to its end; every verify must pass, and the end must be what was desired.
pub fn run(plan: &Plan, state: &mut State, interpreter: &Interpreter) -> Result<(), TestCaseError> {
    for step in plan.steps() {
        interpreter.apply(state, &step.kind);
        prop_assert!(interpreter.passes(state, &step.kind), "a verify fails: {:?}", step.kind);
    }
    prop_assert!(interpreter.reached(state), "the end is not what was desired");
    Ok(())
}

/// `body` over 2,000 cases, or as many as PROPTEST_CASES says.
fn check(body: impl Fn(Case) -> Result<(), TestCaseError>) -> Result<(), Box<TestError<Case>>> {
    let config = Config { failure_persistence: None, max_global_rejects: 100_000, ..Config::with_cases(cases()) };
    TestRunner::new(config).run(&case(), body).map_err(Box::new)
}

fn cases() -> u32 {
    std::env::var("PROPTEST_CASES").ok().and_then(|cases| cases.parse().ok()).unwrap_or(2_000)
}

#[test]
fn every_accepted_plan_ends_in_its_desired_state_and_touches_nothing_else() {
    let outcome = check(|case| {
        let (chip, board) = (case.chip(), board());
        let target = target(&chip, &board);
        let mut state = case.state();
        let baseline = observe(&state, &chip);
        let Ok((desired, wanted)) = desire(&case.intent, &baseline, &chip, &board) else { return Err(TestCaseError::reject("refused")) };
        let Ok((plan, found)) = reconcile(&baseline, &desired, &target) else { return Err(TestCaseError::reject("refused")) };
        let interpreter = Interpreter { chip: &chip, way_in: target.way_in, desired: &desired };
        let findings: Vec<_> = wanted.into_iter().chain(found).collect();
        reserved_bits_stay(&plan, &chip)?;
        run(&plan, &mut state, &interpreter)?;
        prop_assert!(!interpreter.shut(&state), "the plan shuts the programming header");
        kept_regions_are_kept(&case, &state, &chip, &board, &findings)
    });
    outcome.unwrap();
}

fn reserved_bits_stay(plan: &Plan, chip: &Chip) -> Result<(), TestCaseError> {
    for step in plan.steps() {
        match step.kind {
            StepKind::WriteConfiguration { byte, value } => {
                prop_assert_eq!(value | chip.configuration[byte].used, 0xFF, "configuration byte {} gets unused bits as 0", byte)
            }
            StepKind::WriteLock { value } => prop_assert_eq!(value | chip.lock.used, 0xFF, "the lock byte gets unused bits as 0"),
            _ => {}
        }
    }
    Ok(())
}

/// What the intent does not name is afterwards as before, unless a finding said that it would not be.
fn kept_regions_are_kept(
    case: &Case,
    state: &State,
    chip: &Chip,
    board: &Board,
    findings: &[farrier::finding::Finding],
) -> Result<(), TestCaseError> {
    use farrier::finding::Kind as K;
    let raised = |kind| findings.iter().any(|finding| finding.kind == kind);
    let same = |now: &[Option<u8>], before: &[u8], from: u32, to: u32| (from..to).all(|at| now[at as usize] == Some(before[at as usize]));
    let keeps_application = case.intent.application == ApplicationIntent::Keep;
    if keeps_application && !raised(K::KeptContentsUnreadable) {
        let end = match case.intent.loader {
            LoaderIntent::Keep => FLASH,
            // A loader that is taken off may have begun before the reservation.
            LoaderIntent::Remove => 0x400,
            LoaderIntent::Install(_) => RESERVED.0,
        };
        prop_assert!(same(&state.flash, &case.flash, 0, end), "flash outside of the job's regions changed");
    }
    if !raised(K::KeptContentsUnreadable) {
        loader_is_whole(case, state, chip)?;
    }
    let store = board.settings.as_ref().unwrap().span;
    let replaced = case.intent.eeprom.as_ref().is_some_and(|image| image.image.covers(store));
    if !replaced && !raised(K::SettingsLost) {
        let told = case.intent.eeprom.as_ref();
        let wanted = |at: u32| told.and_then(|image| image.image.byte(ByteAddress(at))).filter(|_| case.eeprom[at as usize] == 0xFF);
        let kept = (store.start().0..store.end().0).all(|at| {
            let now = state.eeprom[at as usize];
            now == Some(case.eeprom[at as usize]) || (wanted(at).is_some() && now == wanted(at))
        });
        prop_assert!(kept, "settings changed unasked");
    }
    let spoken_of: Vec<&String> = case.intent.configuration.iter().map(|(name, _)| name).collect();
    for field in &chip.fields {
        let by_loader = case.intent.loader != LoaderIntent::Keep
            && (board.expected_configuration.iter().any(|(name, _)| *name == field.name) || field.name == "reset-start");
        if !by_loader && !spoken_of.contains(&&field.name) {
            let (now, before) = (state.configuration[field.byte].value, case.configuration[field.byte]);
            prop_assert_eq!(now & field.mask, before & field.mask, "configuration field {} changed unasked", field.name);
        }
    }
    Ok(())
}

/// A loader that is installed is there afterwards, and one that stays is untouched, whatever becomes of the application.
fn loader_is_whole(case: &Case, state: &State, chip: &Chip) -> Result<(), TestCaseError> {
    let now = |span: Span| state.flash[span.start().0 as usize..span.end().0 as usize].to_vec();
    let bytes = |image: Vec<u8>| image.into_iter().map(Some).collect::<Vec<_>>();
    let reserved = span(RESERVED.0, RESERVED.1);
    if let LoaderIntent::Install(loader) = &case.intent.loader {
        prop_assert!(now(reserved) == bytes(loader.image.filled(reserved, 0xFF)), "the loader is not what was installed");
    }
    let section = chip.boot_section(&case.configuration).filter(|_| chip.starts_loader(&case.configuration));
    if let (LoaderIntent::Keep, Some(section)) = (&case.intent.loader, section) {
        let before = case.flash[section.start().0 as usize..].to_vec();
        let there = before[..2] != [0xFF, 0xFF];
        prop_assert!(!there || now(section) == bytes(before), "the loader that should stay was changed");
    }
    Ok(())
}

/// Which state the desired state is computed from after a cut.
#[derive(Clone, Copy)]
pub enum ComputedFrom {
    Baseline,
    /// The mistake that the canary makes.
    CutState,
}

/// After a cut after or inside each step of the plan, and one more somewhere in the plan that follows, the desired state of
/// the baseline is reached.
pub fn survives_cuts(target: &Target, start: &State, intent: &Intent, from: ComputedFrom, seed: u64) -> Result<(), TestCaseError> {
    let baseline = observe(start, target.chip);
    let Ok((wanted, _)) = desire(intent, &baseline, target.chip, target.board) else { return Err(TestCaseError::reject("refused")) };
    let Ok((plan, _)) = reconcile(&baseline, &wanted, target) else { return Err(TestCaseError::reject("refused")) };
    let first = Interpreter { chip: target.chip, way_in: target.way_in, desired: &wanted };
    let mut random = fastrand::Rng::with_seed(seed);
    for (n, inside) in (0..plan.steps().len()).flat_map(|n| [(n, false), (n, true)]) {
        let mut state = cut_at(&plan, start, n, inside, &first);
        settle(&mut state, || random.u8(..));
        let second = match from {
            ComputedFrom::Baseline => wanted.clone(),
            ComputedFrom::CutState => match desire(intent, &observe(&state, target.chip), target.chip, target.board) {
                Ok((desired, _)) => desired,
                // Only a wrong end counts as caught.
                Err(_) => continue,
            },
        };
        let interpreter = Interpreter { desired: &second, ..first };
        let again = replan(&state, &second, target, n)?;
        if !again.steps().is_empty() {
            state = cut_at(&again, &state, random.usize(..again.steps().len()), random.bool(), &interpreter);
            settle(&mut state, || random.u8(..));
        }
        let last = replan(&state, &second, target, n)?;
        run(&last, &mut state, &interpreter).map_err(|error| TestCaseError::fail(format!("cut at step {n}, inside: {inside}: {error}")))?;
        prop_assert!(first.reached(&state), "cut at step {}, inside: {}: not what the baseline wanted", n, inside);
    }
    Ok(())
}

fn replan(state: &State, desired: &Desired, target: &Target, cut: usize) -> Result<Plan, TestCaseError> {
    let planned = reconcile(&observe(state, target.chip), desired, target);
    planned.map(|(plan, _)| plan).map_err(|findings| TestCaseError::fail(format!("refused after a cut at step {cut}: {findings:?}")))
}

/// The state after a cut after step `n`, or inside it.
fn cut_at(plan: &Plan, start: &State, n: usize, inside: bool, interpreter: &Interpreter) -> State {
    let mut state = start.clone();
    for step in &plan.steps()[..n] {
        interpreter.apply(&mut state, &step.kind);
    }
    match inside {
        true => interpreter.after_cut(&state, &plan.steps()[n].kind),
        false => {
            interpreter.apply(&mut state, &plan.steps()[n].kind);
            // The power is gone: what runs next begins with an entry, on the clock that is set.
            State { entered: false, ..state }
        }
    }
}

fn cut(case: &Case, from: ComputedFrom) -> Result<(), TestCaseError> {
    let (chip, board) = (case.chip(), board());
    survives_cuts(&target(&chip, &board), &case.state(), &case.intent, from, case.seed)
}

#[test]
fn after_a_cut_anywhere_the_state_desired_from_the_baseline_is_reached() {
    check(|case| cut(&case, ComputedFrom::Baseline)).unwrap();
}

#[test]
fn canary_a_desired_state_computed_from_the_cut_state_is_caught() {
    let outcome = check(|case| cut(&case, ComputedFrom::CutState));
    let Err(TestError::Fail(why, _)) = outcome.map_err(|error| *error) else {
        panic!("the property does not notice a desired state made from what a cut left behind");
    };
    assert!(why.message().contains("not what the baseline wanted"), "{why}");
}

/// Whatever was cut, and however far the step in hand had come: the job is found to be this board's, and by its tag alone.
#[test]
fn after_a_cut_anywhere_the_job_is_known_for_this_boards() {
    let outcome = check(|case| {
        let (chip, board) = (case.chip(), board());
        let target = target(&chip, &board);
        let start = case.state();
        let baseline = observe(&start, &chip);
        let Ok((desired, _)) = desire(&case.intent, &baseline, &chip, &board) else { return Err(TestCaseError::reject("refused")) };
        let Ok((plan, _)) = reconcile(&baseline, &desired, &target) else { return Err(TestCaseError::reject("refused")) };
        let interpreter = Interpreter { chip: &chip, way_in: target.way_in, desired: &desired };
        let mut random = fastrand::Rng::with_seed(case.seed);
        let mut before = start.clone();
        for (finished, step) in plan.steps().iter().enumerate() {
            let mut after = before.clone();
            interpreter.apply(&mut after, &step.kind);
            for mut left in [before.clone(), interpreter.after_cut(&before, &step.kind), after.clone()] {
                settle(&mut left, || random.u8(..));
                let job = unfinished(&baseline, &plan, finished);
                let changed = job.changed_anything();
                let jobs = [job];
                let found = takeover(&jobs, &observe(&left, &chip), Some("bed 4"), Resume::Unasked, &target).unwrap();
                let known = matches!(&found, Takeover::Resume { findings, .. } if findings.is_empty());
                prop_assert!(known || (!changed && found == Takeover::Fresh), "in hand: {:?}: {:?}", step.kind, found);
                let found = takeover(&jobs, &observe(&left, &chip), None, Resume::Unasked, &target).unwrap();
                prop_assert!(!changed || found != Takeover::Fresh, "in hand: {:?}: forgotten", step.kind);
            }
            before = after;
        }
        Ok(())
    });
    outcome.unwrap();
}

fn unfinished(baseline: &Observed, plan: &Plan, finished: usize) -> UnfinishedJob {
    UnfinishedJob {
        id: 1,
        tag: Some("bed 4".into()),
        baseline: baseline.clone(),
        began_with: baseline.clone(),
        plan: plan.clone(),
        finished,
        in_hand: true,
        verified_settings: None,
        answered_none: false,
        sent_since: Vec::new(),
    }
}
