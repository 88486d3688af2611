//! What a command wants, and the desired state that follows from it.

use super::{Observed, Restore, checks, fields, restore};
use crate::board::{self, Board, BuiltLoader, Chip, Field, FieldValue, Reservation, Role};
use crate::finding::{Finding, Severity};
use crate::image::{ByteAddress, Image, Memory, Span};
use serde::{Deserialize, Serialize};
use std::fmt;

/// An image with the name that messages call it by.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NamedImage {
    pub name: String,
    pub image: Image,
}

/// What a command wants of a board. What it does not speak of stays as in the baseline.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Intent {
    /// Back to a snapshot; whatever else is wanted goes over it.
    pub restore: Option<Restore>,
    pub loader: LoaderIntent,
    pub application: ApplicationIntent,
    /// Bytes to put into the EEPROM; the rest of it stays.
    pub eeprom: Option<NamedImage>,
    /// `(field name, value name)` of the configuration to set.
    pub configuration: Vec<(String, String)>,
    /// Whole configuration bytes, by their index in the chip's order, as an ELF file carries them. `configuration` goes over them.
    pub configuration_image: Option<NamedImage>,
    /// `(lock field name, value name)` to set.
    pub lock: Vec<(String, String)>,
}

impl Intent {
    /// Everything that comes from outside the board: for which memory, under which name, which bytes.
    pub fn sources(&self) -> Vec<(Memory, &str, &Image)> {
        let loader = match &self.loader {
            LoaderIntent::Install(loader) => Some((Memory::Flash, loader)),
            LoaderIntent::Keep | LoaderIntent::Remove => None,
        };
        let application = match &self.application {
            ApplicationIntent::Write(application) => Some((Memory::Flash, application)),
            ApplicationIntent::Keep => None,
        };
        let eeprom = self.eeprom.as_ref().map(|image| (Memory::Eeprom, image));
        let configuration = self.configuration_image.as_ref().map(|image| (Memory::Configuration, image));
        let images = [loader, application, eeprom, configuration].into_iter().flatten();
        let images = images.map(|(memory, named)| (memory, named.name.as_str(), &named.image));
        self.restore.iter().flat_map(Restore::sources).chain(images).collect()
    }
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum LoaderIntent {
    #[default]
    Keep,
    /// The reservation holds exactly this image, blank elsewhere; configuration and lock become what the board expects.
    Install(NamedImage),
    /// The reservation becomes blank, reset starts the application, the boot section is no longer locked.
    Remove,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum ApplicationIntent {
    #[default]
    Keep,
    /// The application's flash holds exactly this image, blank elsewhere.
    Write(NamedImage),
}

/// Where a desired byte comes from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Origin {
    /// The image of this name.
    Image(String),
    /// The snapshot of this name.
    Snapshot(String),
    /// The board before the first change.
    Baseline,
    /// The board file.
    BoardFile,
    /// The command line.
    Asked,
    /// Nothing wants a byte here, so it is left blank.
    Blank,
}

impl fmt::Display for Origin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Origin::Image(name) => f.write_str(name),
            Origin::Snapshot(name) => write!(f, "the snapshot {name}"),
            Origin::Baseline => f.write_str("what was there before the first change"),
            Origin::BoardFile => f.write_str("the board file"),
            Origin::Asked => f.write_str("the command line"),
            Origin::Blank => f.write_str("blank, where nothing wants a byte"),
        }
    }
}

/// What the board should hold afterwards. An address that an image here does not hold stays as it is, whatever that is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Desired {
    pub flash: Image,
    pub eeprom: Image,
    /// Bits without a meaning are 1, and are left out of comparisons.
    pub configuration: Vec<u8>,
    /// As the configuration.
    pub lock: u8,
    /// Where each span comes from, by memory and address. A configuration byte that several sources share is told by the one that
    /// has most to say: asked, image, snapshot, board file, baseline.
    pub origins: Vec<(Memory, Span, Origin)>,
}

impl Desired {
    /// The bytes of a memory that holds bytes by address; configuration and lock have fields of their own.
    pub fn memory(&self, memory: Memory) -> Option<&Image> {
        match memory {
            Memory::Flash => Some(&self.flash),
            Memory::Eeprom => Some(&self.eeprom),
            Memory::Configuration | Memory::Lock => None,
        }
    }

    /// Where the byte at `at` comes from; `None` where this state says nothing of it.
    pub fn origin(&self, memory: Memory, at: ByteAddress) -> Option<&Origin> {
        self.origins.iter().find(|(of, span, _)| *of == memory && span.contains(at)).map(|(_, _, origin)| origin)
    }

    /// Records that `spans` come from `origin`, whatever was recorded for them.
    pub(super) fn paint(&mut self, memory: Memory, spans: &[Span], origin: &Origin) {
        let cut = |(of, old, from): (Memory, Span, Origin)| {
            let left = if of == memory { fields::outside(old, spans) } else { vec![old] };
            left.into_iter().map(move |part| (of, part, from.clone()))
        };
        self.origins = std::mem::take(&mut self.origins).into_iter().flat_map(cut).collect();
        self.origins.extend(spans.iter().map(|span| (memory, *span, origin.clone())));
        self.origins.sort_by_key(|(of, span, _)| (*of, *span));
    }
}

/// Why no desired state follows from an intent.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum DesireError {
    /// Findings that nothing lifts are among these; consents and notes found on the way stand beside them.
    #[error("refused: {}", refusals(.0))]
    Refused(Vec<Finding>),
    #[error("{part} has no {what} field called '{name}'; it has {}", known.join(", "))]
    UnknownField { part: String, what: &'static str, name: String, known: Vec<String> },
    #[error("'{name}' is not a value of {field}; its values are {}", known.join(", "))]
    UnknownValue { field: String, name: String, known: Vec<String> },
    #[error("board {board} reserves no flash for a loader; give its board file a [reservation], or use another --board")]
    NoReservation { board: String },
    #[error("{part} always starts at 0x00000: it has no field that makes reset start a loader")]
    NoResetField { part: String },
    #[error("{what} was not read, so what should be kept of it is not known: {expected} bytes are needed, {found} are there")]
    NotRead { what: &'static str, expected: usize, found: usize },
}

fn refusals(findings: &[Finding]) -> String {
    let names = findings.iter().filter(|finding| finding.severity() == Severity::Refuse).map(|finding| finding.kind.name());
    names.collect::<Vec<_>>().join(", ")
}

/// What a board should hold after `intent`, given what it held before the first change. Consents and notes come with it.
///
/// # Errors
/// A refusal, or an intent that makes no sense for this chip and board.
pub fn desire(intent: &Intent, baseline: &Observed, chip: &Chip, board: &Board) -> Result<(Desired, Vec<Finding>), DesireError> {
    let mut draft = Draft { chip, board, baseline, desired: kept(baseline, chip)? };
    if let Some(back) = &intent.restore {
        restore::put(back, baseline, chip, board, &mut draft.desired);
    }
    draft.loader(&intent.loader)?;
    draft.application(intent);
    draft.eeprom(intent);
    draft.configuration(intent)?;
    draft.lock(intent)?;
    let desired = draft.desired;
    let findings = checks::of_desired(&checks::Case { intent, baseline, chip, board, desired: &desired });
    match findings.iter().any(|finding| finding.severity() == Severity::Refuse) {
        true => Err(DesireError::Refused(findings)),
        false => Ok((desired, findings)),
    }
}

/// The loader of ours that this image is, with the parameters of this board in it.
pub(super) fn built_loader(loader: &NamedImage, board: &Board, chip: &Chip) -> Option<BuiltLoader> {
    board::loader(&loader.name, board, chip).ok().filter(|built| built.image == loader.image)
}

/// The flash that belongs to a loader once `intent` is carried out; an application must stay out of it.
pub(super) fn loader_spans(intent: &Intent, baseline: &Observed, chip: &Chip, board: &Board) -> Vec<Span> {
    let reserved = board.reservation.as_ref().map(|reservation| reservation.span);
    match intent.loader {
        LoaderIntent::Install(_) => reserved.into_iter().collect(),
        LoaderIntent::Remove => Vec::new(),
        LoaderIntent::Keep => match fields::resident_loader(chip, baseline) {
            Some(section) => reserved.into_iter().chain([section]).collect(),
            None => Vec::new(),
        },
    }
}

/// The flash that taking the loader off makes blank: the reservation, and the boot section that reset starts at.
pub(super) fn removed_spans(baseline: &Observed, chip: &Chip, board: &Board) -> Vec<Span> {
    let reserved = board.reservation.as_ref().map(|reservation| reservation.span);
    reserved.into_iter().chain(fields::resident_loader(chip, baseline)).collect()
}

/// The baseline as a desired state: everything stays.
fn kept(baseline: &Observed, chip: &Chip) -> Result<Desired, DesireError> {
    let configuration = baseline.configuration.clone().unwrap_or_default();
    let (expected, found) = (chip.configuration.len(), configuration.len());
    if expected != found {
        return Err(DesireError::NotRead { what: "the configuration", expected, found });
    }
    let lock = baseline.lock.ok_or(DesireError::NotRead { what: "the lock byte", expected: 1, found: 0 })?;
    let mut desired = Desired {
        flash: baseline.flash.bytes.crop(Span::first(chip.flash.bytes)),
        eeprom: baseline.eeprom.bytes.crop(Span::first(chip.eeprom.bytes)),
        configuration: configuration.iter().zip(&chip.configuration).map(|(byte, of)| byte | !of.used).collect(),
        lock: lock | !chip.lock.used,
        origins: Vec::new(),
    };
    let (flash, eeprom): (Vec<Span>, Vec<Span>) = (desired.flash.spans().collect(), desired.eeprom.spans().collect());
    desired.paint(Memory::Flash, &flash, &Origin::Baseline);
    desired.paint(Memory::Eeprom, &eeprom, &Origin::Baseline);
    desired.paint(Memory::Configuration, &[Span::first(found as u32)], &Origin::Baseline);
    desired.paint(Memory::Lock, &[Span::first(1)], &Origin::Baseline);
    Ok(desired)
}

/// A desired state in the making: the baseline, and over it what the intent says.
struct Draft<'a> {
    chip: &'a Chip,
    board: &'a Board,
    baseline: &'a Observed,
    desired: Desired,
}

impl<'a> Draft<'a> {
    fn loader(&mut self, loader: &LoaderIntent) -> Result<(), DesireError> {
        match loader {
            LoaderIntent::Keep => {}
            LoaderIntent::Install(loader) => {
                let span = self.reservation()?.span;
                self.fill(&[span], Some(loader));
                if let Some(built) = built_loader(loader, self.board, self.chip) {
                    self.desired.paint(Memory::Flash, &[built.block], &Origin::BoardFile);
                }
                for (field, value) in &self.board.expected_configuration {
                    self.set_field(field, value, &Origin::BoardFile)?;
                }
                for (field, value) in &self.board.expected_lock {
                    self.set_lock(field, value, &Origin::BoardFile)?;
                }
            }
            LoaderIntent::Remove => {
                let spans = removed_spans(self.baseline, self.chip, self.board);
                if spans.is_empty() {
                    self.reservation()?;
                }
                self.fill(&spans, None);
                self.set_field(&self.reset_field()?.name, "application", &Origin::Asked)?;
                self.unlock_boot_section();
            }
        }
        Ok(())
    }

    fn reservation(&self) -> Result<&Reservation, DesireError> {
        self.reset_field()?;
        self.board.reservation.as_ref().ok_or_else(|| DesireError::NoReservation { board: self.board.name.clone() })
    }

    /// A chip without it starts no loader, whatever a board file reserves.
    fn reset_field(&self) -> Result<&'a Field, DesireError> {
        self.chip.field_for(Role::ResetStart).ok_or_else(|| DesireError::NoResetField { part: self.chip.part.clone() })
    }

    /// The boot lock off: lock bits that do nothing are 1.
    fn unlock_boot_section(&mut self) {
        for field in self.chip.lock_fields.iter().filter(|field| field.role == Some(Role::BootLock)) {
            if self.desired.lock & field.mask != field.mask {
                self.desired.lock |= field.mask;
                self.desired.paint(Memory::Lock, &[Span::first(1)], &Origin::Asked);
            }
        }
    }

    fn application(&mut self, intent: &Intent) {
        if let ApplicationIntent::Write(application) = &intent.application {
            let loader = loader_spans(intent, self.baseline, self.chip, self.board);
            let spans = fields::outside(Span::first(self.chip.flash.bytes), &loader);
            self.fill(&spans, Some(application));
            self.keep_serial_number(&application.image, &spans);
        }
    }

    /// A serial number in the application's flash belongs to the board and not to the application that is replaced: where the image says
    /// nothing, it stays.
    fn keep_serial_number(&mut self, image: &Image, spans: &[Span]) {
        let declared = self.board.serial_number.as_ref().filter(|number| number.memory == Memory::Flash);
        let Some(number) = declared.filter(|_| restore::serial_number(self.baseline, self.board, self.chip).is_some()) else { return };
        let here = spans.iter().filter_map(|span| span.overlap(number.span));
        let kept: Vec<Span> = here.flat_map(|span| image.gaps(span)).collect();
        for span in &kept {
            self.desired.flash.overlay(&self.baseline.flash.bytes.crop(*span));
        }
        self.desired.paint(Memory::Flash, &kept, &Origin::Baseline);
    }

    /// Makes the flash in `spans` hold the part of the image that lies there, and nothing else.
    fn fill(&mut self, spans: &[Span], image: Option<&NamedImage>) {
        for span in spans.iter().filter_map(|span| span.overlap(Span::first(self.chip.flash.bytes))) {
            let here = image.map(|image| image.image.crop(span)).unwrap_or_default();
            self.desired.flash.overwrite(span.start(), &here.filled(span, self.chip.flash.blank));
            self.desired.paint(Memory::Flash, &[span], &Origin::Blank);
            if let Some(image) = image {
                let spans: Vec<Span> = here.spans().collect();
                self.desired.paint(Memory::Flash, &spans, &Origin::Image(image.name.clone()));
            }
        }
    }

    fn eeprom(&mut self, intent: &Intent) {
        if let Some(eeprom) = &intent.eeprom {
            let here = eeprom.image.crop(Span::first(self.chip.eeprom.bytes));
            let spans: Vec<Span> = here.spans().collect();
            self.desired.eeprom.overlay(&here);
            self.desired.paint(Memory::Eeprom, &spans, &Origin::Image(eeprom.name.clone()));
        }
    }

    fn configuration(&mut self, intent: &Intent) -> Result<(), DesireError> {
        if let Some(image) = &intent.configuration_image {
            for (n, (byte, of)) in self.desired.configuration.iter_mut().zip(&self.chip.configuration).enumerate() {
                *byte = image.image.byte(ByteAddress(n as u32)).map_or(*byte, |given| given | !of.used);
            }
            let spans: Vec<Span> = image.image.crop(Span::first(self.chip.configuration.len() as u32)).spans().collect();
            self.desired.paint(Memory::Configuration, &spans, &Origin::Image(image.name.clone()));
        }
        intent.configuration.iter().try_for_each(|(field, value)| self.set_field(field, value, &Origin::Asked))
    }

    fn lock(&mut self, intent: &Intent) -> Result<(), DesireError> {
        intent.lock.iter().try_for_each(|(field, value)| self.set_lock(field, value, &Origin::Asked))
    }

    fn set_field(&mut self, name: &str, value: &str, origin: &Origin) -> Result<(), DesireError> {
        let (field, value) = named(self.chip.field(name), value, || self.unknown("configuration", name, &self.chip.fields))?;
        let before = self.desired.configuration.clone();
        field.set(&mut self.desired.configuration, value.bits);
        if before != self.desired.configuration
            && let Some(span) = Span::sized(ByteAddress(field.byte as u32), 1)
        {
            self.desired.paint(Memory::Configuration, &[span], origin);
        }
        Ok(())
    }

    fn set_lock(&mut self, name: &str, value: &str, origin: &Origin) -> Result<(), DesireError> {
        let (field, value) = named(self.chip.lock_field(name), value, || self.unknown("lock", name, &self.chip.lock_fields))?;
        let mut lock = [self.desired.lock];
        field.set(&mut lock, value.bits);
        if lock != [self.desired.lock] {
            self.desired.lock = lock[0];
            self.desired.paint(Memory::Lock, &[Span::first(1)], origin);
        }
        Ok(())
    }

    fn unknown(&self, what: &'static str, name: &str, fields: &[Field]) -> DesireError {
        let known = fields.iter().map(|field| field.name.clone()).collect();
        DesireError::UnknownField { part: self.chip.part.clone(), what, name: name.to_string(), known }
    }
}

/// The field, and its value of this name.
fn named<'c>(
    field: Option<&'c Field>,
    value: &str,
    unknown: impl FnOnce() -> DesireError,
) -> Result<(&'c Field, &'c FieldValue), DesireError> {
    let field = field.ok_or_else(unknown)?;
    let known = || field.values.iter().map(|value| value.name.clone()).collect();
    let no_value = || DesireError::UnknownValue { field: field.name.clone(), name: value.to_string(), known: known() };
    field.value(value).map(|value| (field, value)).ok_or_else(no_value)
}
