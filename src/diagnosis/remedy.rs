//! What mends a board: an intent for the planner, and what no plan can do.

use super::cause::{Cause, CauseKind};
use super::contents::{Made, of_application};
use super::loader::{called, own_loader};
use super::seen::{Answer, From, Known};
use super::snapshot::Kept;
use super::{Case, Unfinished};
use crate::board::Role;
use crate::plan::{ApplicationIntent, Intent, LoaderIntent, NamedImage, Part};

/// What mends it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Remedy {
    /// What is wanted of the board; the planner makes the steps.
    pub intent: Option<Intent>,
    /// The job that was cut off is carried to its end instead.
    pub go_on: Option<i64>,
    /// What the plan does, a clause each.
    pub does: Vec<String>,
    /// What no plan mends, and what would; a sentence each.
    pub left: Vec<String>,
    /// Commands, without `farrier` and the place of the board, that do what only the user can decide, each with what it is for.
    pub by_command: Vec<(String, &'static str)>,
    /// What --to would have to say so that a plan mends more: a snapshot that may be this board's, or `IMAGE`.
    pub say_to: Option<String>,
}

/// For these causes.
pub(super) fn of(case: &Case, causes: &[Cause], made: &Made) -> Remedy {
    let kinds = causes.iter().map(|cause| cause.kind).collect();
    let mut draft = Draft { case, made, kinds, intent: Intent::default(), remedy: Remedy::default() };
    draft.make();
    let Draft { intent, mut remedy, .. } = draft;
    remedy.intent = (intent != Intent::default()).then_some(intent);
    remedy
}

/// What a hand must do before anything else, where a plan is of no use.
pub(super) fn by_hand(causes: &[Cause]) -> Option<&'static str> {
    causes.iter().find_map(|cause| needs_a_hand(cause.kind))
}

fn needs_a_hand(kind: CauseKind) -> Option<&'static str> {
    let needs = match kind {
        CauseKind::BridgeSilent => "The bridge: its cable, its port, its firmware.",
        CauseKind::NoSupply => "The supply, or the plug: no plan can do anything before the bridge sees a supply.",
        CauseKind::SupplyOutOfRange => "The supply: nothing is written while it is out of the board's range.",
        CauseKind::LevelsDiffer => "A bridge of the board's level, or parts that shift the levels.",
        CauseKind::LineHeld => "The line: free it, then run this again.",
        CauseKind::DataLinesJoined => "The short between MOSI and MISO: part them, then run this again.",
        CauseKind::NoAnswer => "No plan reaches a silent chip. Go through the list above from its top, then run this again.",
        CauseKind::GarbledAnswer => "The connection: nothing is written through one that cannot be trusted.",
        CauseKind::AnotherChip => {
            "The right board file for this chip (--board), or the right chip for this board: nothing is written to another."
        }
        _ => return None,
    };
    Some(needs)
}

struct Draft<'a, 'c> {
    case: &'c Case<'a>,
    made: &'c Made<'a>,
    kinds: Vec<CauseKind>,
    intent: Intent,
    remedy: Remedy,
}

impl<'a> Draft<'a, '_> {
    fn make(&mut self) {
        let wanted = self.case.known.iter().find(|known| known.from == From::Wanted);
        if let Some(needs) = self.kinds.iter().find_map(|kind| needs_a_hand(*kind)) {
            return self.remedy.left.push(needs.to_owned());
        }
        if let Some(job) = self.case.unfinished {
            return self.go_on(job, wanted);
        }
        if let Some(kept) = self.case.back_to {
            return self.back_to(kept, Part::ALL.to_vec());
        }
        if self.has(CauseKind::Locked) {
            return self.locked(wanted);
        }
        if self.has(CauseKind::AsShipped) && wanted.is_none() {
            if self.made.perhaps.is_some() {
                self.left("Whether the chip is new or was erased: nothing on it tells.");
            }
            return;
        }
        if !self.flash_from_snapshot(wanted) {
            // An application that is written takes all the flash that no loader started by reset has.
            let unstarted = self.any(&[CauseKind::LoaderBypassed, CauseKind::ResetBesideLoader]) && self.application_is_wrong();
            if self.any(&LOADER) || (unstarted && self.made.loader_is_whole) {
                self.loader();
            }
            self.fields();
            if self.beside_by_flash() {
                // Reset must lead to the loader first: what lies below its section counts as the application's.
            } else if unstarted && self.has(CauseKind::LoaderBypassed) && !self.made.loader_is_whole {
                let sentence = "The application: the same command again sees to it once reset leads to the loader, whose flash is the \
                                application's until then.";
                self.remedy.left.push(sentence.to_owned());
            } else if self.application_is_wrong() {
                self.application(wanted);
            } else if let Some(image) = self.made.before_loader.clone().filter(|_| self.any(&LOADER)) {
                // What reset does not start counts as the application's, and part of a loader is in its way.
                self.intent.application = ApplicationIntent::Write(NamedImage { name: "the application on the board".to_owned(), image });
            }
        }
        self.settings();
        if self.has(CauseKind::LoaderUnknown) {
            self.remedy.left.push("The loader: only its owner knows whether it is one.".to_owned());
            let install = match own_loader(self.case.board, self.case.chip) {
                Some(_) => "loader install",
                None => "loader install --loader FILE",
            };
            self.remedy.by_command.push((install.to_owned(), "put the board's own loader there"));
        }
    }

    /// What the job had not put right yet is wrong in its baseline too, so nothing else is wanted before it is at its end.
    fn go_on(&mut self, job: &Unfinished, wanted: Option<&Known>) {
        self.remedy.does.push(format!("carries job {} to its end", job.job));
        self.remedy.go_on = Some(job.job);
        if (wanted.is_some() || self.case.back_to.is_some()) && !job.ends_as_wanted {
            self.remedy.left.push("What --to says: the same command again sees to it once that job is at its end.".to_owned());
        }
    }

    fn has(&self, kind: CauseKind) -> bool {
        self.kinds.contains(&kind)
    }

    fn any(&self, kinds: &[CauseKind]) -> bool {
        kinds.iter().any(|kind| self.has(*kind))
    }

    fn application_is_wrong(&self) -> bool {
        let blank = [CauseKind::ChipErased, CauseKind::AsShipped];
        self.kinds.iter().any(|kind| of_application(*kind)) || self.any(&blank) || self.made.application_runs_on
    }

    /// The application, or a loader for which the board file reserves no flash.
    fn flash_is_wrong(&self) -> bool {
        let loader = self.any(&[CauseKind::LoaderMissing, CauseKind::LoaderOverwritten]);
        self.application_is_wrong() || (loader && self.case.board.reservation.is_none())
    }

    /// What no plan mends, with the snapshot that may do it.
    fn left(&mut self, sentence: &str) {
        let perhaps = self.made.perhaps.map_or(String::new(), |kept| {
            format!(" The snapshot {} may be this board's: the calibration byte is the same. To put it back: --to {}", kept.name, kept.name)
        });
        self.remedy.left.push(format!("{sentence}{perhaps}"));
        if let Some(kept) = self.made.perhaps {
            self.remedy.say_to = Some(kept.name.clone());
        }
    }

    fn back_to(&mut self, kept: &Kept, parts: Vec<Part>) {
        let names: Vec<&str> = parts
            .iter()
            .map(|part| match part {
                Part::Flash => "flash",
                Part::Eeprom => "EEPROM",
                Part::Configuration => "configuration and lock",
            })
            .collect();
        self.remedy.does.push(format!("puts back {} from the snapshot {}", names.join(", "), kept.name));
        self.intent.restore = Some(kept.back(parts, self.case));
    }

    /// The flash of the board's own newest snapshot, where the flash is wrong and nothing better is known. Then loader and configuration
    /// come from there too: they go together.
    fn flash_from_snapshot(&mut self, wanted: Option<&Known>) -> bool {
        let known = wanted.or(self.made.application.filter(|known| matches!(known.from, From::Job(_))));
        let Some(kept) = self.made.snapshot.filter(|_| known.is_none() && self.flash_is_wrong()) else { return false };
        let mut parts = vec![Part::Flash];
        if self.settings_are_in(kept) {
            parts.push(Part::Eeprom);
        }
        if self.made.other_configuration {
            parts.push(Part::Configuration);
        }
        self.back_to(kept, parts);
        true
    }

    /// Whether the settings are gone and the snapshot has them.
    fn settings_are_in(&self, kept: &Kept) -> bool {
        let gone = self.any(&[CauseKind::SettingsBlank, CauseKind::ChipErased]);
        let blank = self.case.chip.eeprom.blank;
        gone && kept.held.eeprom.bytes.runs().any(|(_, run)| run.iter().any(|byte| *byte != blank))
    }

    fn settings(&mut self) {
        if !self.any(&[CauseKind::SettingsBlank, CauseKind::ChipErased]) {
            return;
        }
        let restored = self.intent.restore.as_ref().is_some_and(|back| back.parts.contains(&Part::Eeprom));
        match self.made.settings {
            Some(_) if restored => {}
            Some(kept) if self.intent.restore.is_some() => self.remedy.left.push(format!(
                "The settings, which the snapshot {} has: the same command again puts them back, once this plan is carried out.",
                kept.name
            )),
            Some(kept) => self.back_to(kept, vec![Part::Eeprom]),
            None => {
                self.left("The settings: no snapshot that is known to be this board's holds any, so nothing here can bring them back.");
            }
        }
    }

    /// Reset leads beside the loader, and only the flash says which section would lead to it.
    fn beside_by_flash(&mut self) -> bool {
        if !self.has(CauseKind::ResetBesideLoader) || self.made.fields.iter().any(|(name, _)| self.is_boot_section(name)) {
            return false;
        }
        let Some((field, value)) = &self.made.by_flash else {
            self.remedy.left.push("The boot section: no setting of this chip that is known leads reset to that beginning.".to_owned());
            return true;
        };
        let set = format!("configure {field}={value}");
        let sentence = format!(
            "The boot section: the bytes of the flash alone say that {field} should be {value}. If that is so: `farrier {set}`, then this \
             command again."
        );
        self.remedy.left.push(sentence);
        self.remedy.by_command.push((set, "lead reset to where the flash has something begin"));
        true
    }

    fn is_boot_section(&self, name: &str) -> bool {
        self.case.chip.field_for(Role::BootSection).is_some_and(|field| field.name == name)
    }

    fn loader(&mut self) {
        let reserves = self.case.board.reservation.is_some();
        match self.made.loader.clone() {
            Some(loader) if reserves => {
                self.remedy.does.push(format!("installs {}, with the configuration and the lock that go with it", called(&loader.name)));
                self.intent.loader = LoaderIntent::Install(loader);
            }
            _ if reserves => {
                self.remedy.left.push(
                    "The loader: the board file names none that is built in, and no job or snapshot has it. Install it with \
                     `farrier loader install --loader FILE`."
                        .to_owned(),
                );
                self.remedy.by_command.push(("loader install --loader FILE".to_owned(), "put the board's own loader there"));
            }
            _ if self.any(&[CauseKind::LoaderMissing, CauseKind::LoaderOverwritten]) => {
                let sentence = "The start: the board file reserves no flash for a loader. For a board without one, let reset start the \
                                application; for one with a loader, a board file that says where it belongs (`farrier boards new`).";
                self.remedy.left.push(sentence.to_owned());
                let starts = self.case.chip.field_for(Role::ResetStart).map(|field| field.name.as_str()).unwrap_or("reset-start");
                self.remedy.by_command.push((format!("configure {starts}=application"), "let reset start the application"));
            }
            _ => {}
        }
    }

    /// Fields that are wrong become what the board file has. A loader that is installed brings all of them.
    fn fields(&mut self) {
        if !self.made.unknown_fields.is_empty() {
            let sentence = format!(
                "The configuration: nothing here says what {} should be. Set it with `farrier configure {}`.",
                self.made.unknown_fields.join(" and "),
                self.made.unknown_fields.iter().map(|name| self.another_value(name)).collect::<Vec<_>>().join(" ")
            );
            self.remedy.left.push(sentence);
            let set: Vec<String> = self.made.unknown_fields.iter().map(|name| self.another_value(name)).collect();
            self.remedy.by_command.push((format!("configure {}", set.join(" ")), "set it, if it should be so"));
        }
        if self.made.fields.is_empty() || matches!(self.intent.loader, LoaderIntent::Install(_)) {
            return;
        }
        let list: Vec<String> = self.made.fields.iter().map(|(field, value)| format!("{field} to {value}")).collect();
        self.remedy.does.push(format!("sets {}", list.join(", ")));
        self.intent.configuration.clone_from(&self.made.fields);
    }

    /// A field as it is typed to set it to something else: with the value, where there is only one other.
    fn another_value(&self, name: &str) -> String {
        let field = self.case.chip.field(name);
        let now = match &self.case.seen.answer {
            Answer::Read(observed) => field.and_then(|field| field.bits_in(observed.configuration.as_deref()?)),
            _ => None,
        };
        let others = field.iter().flat_map(|field| &field.values).filter(|value| Some(value.bits) != now).collect::<Vec<_>>();
        match others.as_slice() {
            [only] => format!("{name}={}", only.name),
            _ => format!("{name}=VALUE"),
        }
    }

    fn application(&mut self, wanted: Option<&Known>) {
        let Some(image) = wanted.or(self.made.application) else {
            let demo = self.demo();
            let sentence = match &demo {
                Some(demo) => format!(
                    "The application: nothing here says what it should be. This board's demo application is {demo}: say it with --to."
                ),
                None => "The application: nothing here says what it should be. Say it with --to.".to_owned(),
            };
            self.remedy.say_to = demo.or_else(|| Some("IMAGE".to_owned()));
            return self.left(&sentence);
        };
        self.remedy.does.push(format!("writes {}", image.name));
        self.intent.application = ApplicationIntent::Write(NamedImage { name: image.name.clone(), image: image.image.clone() });
    }

    /// The demo application of this board, as it is typed.
    fn demo(&self) -> Option<String> {
        let own = |known: &&Known| matches!(&known.from, From::Demo { board, .. } if *board == self.case.board.name);
        self.case.known.iter().find(own).map(|_| format!("demo:{}-1", self.case.board.name))
    }

    /// Only an erase of everything helps, and only with something to write afterwards.
    fn locked(&mut self, wanted: Option<&Known>) {
        if wanted.is_none() {
            self.remedy.say_to = self.demo().or_else(|| Some("IMAGE".to_owned()));
            let sentence = "The lock: only an erase of the whole chip lifts it, and what is on the chip is lost then. To begin afresh \
                            all the same, say what should be there with --to; each loss is asked about by name.";
            return self.left(sentence);
        }
        self.remedy.does.push("erases the whole chip, which lifts the lock".to_owned());
        let lock = self.case.chip.lock_fields.iter().find(|field| field.role == Some(Role::ProgrammingLock));
        let open = lock.and_then(|field| field.values.iter().find(|value| !value.forbids_reading && !value.forbids_writing));
        self.intent.lock.extend(lock.zip(open).map(|(field, open)| (field.name.clone(), open.name.clone())));
        self.loader();
        self.fields();
        self.application(wanted);
    }
}

/// Causes that a loader put there anew mends.
const LOADER: [CauseKind; 5] =
    [CauseKind::AsShipped, CauseKind::ChipErased, CauseKind::LoaderMissing, CauseKind::LoaderHalfWritten, CauseKind::LoaderOverwritten];
