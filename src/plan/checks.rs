//! The findings that follow from an intent, its images and the baseline, before any plan is made.

use super::desired::{ApplicationIntent, Desired, Intent, LoaderIntent, NamedImage, built_loader, loader_spans, removed_spans};
use super::{Observed, fields, restore, running};
use crate::board::{Board, Chip, DemoApplication, Field, FieldValue, LineSpeed, Role, Way, demo_applications};
use crate::finding::{Finding, Kind};
use crate::image::{ByteAddress, Image, Memory, Span, start_at};
use crate::units::Bytes;

/// What the checks look at.
pub(super) struct Case<'a> {
    pub intent: &'a Intent,
    pub baseline: &'a Observed,
    pub chip: &'a Chip,
    pub board: &'a Board,
    pub desired: &'a Desired,
}

/// Every finding of a desired state, refusals first.
pub(super) fn of_desired(case: &Case) -> Vec<Finding> {
    let mut all = Vec::new();
    let restored = case.intent.restore.as_ref();
    all.extend(restored.into_iter().flat_map(|back| restore::findings(back, case.baseline, case.chip, case.board, case.desired)));
    all.extend(case.images().filter_map(|(memory, image)| outside_memory(case.chip, memory, image)));
    all.extend(case.overlaps_loader());
    all.extend(case.outside_reservation());
    all.extend(case.baud());
    all.extend(case.application_in_reservation());
    all.extend(case.conflict());
    all.extend(case.reserved_bits());
    all.extend(case.eeprom_locked());
    all.extend(case.settings_lost());
    all.extend(case.serial_number_lost());
    all.extend(case.loader_removed());
    all.extend(running::findings(case));
    all.extend(case.empty_start());
    all.extend(case.application().and_then(|application| of_another_chip(application, case.chip)));
    all.extend(case.start_in_the_middle().or_else(|| case.application_start()));
    all.extend(case.loader_start());
    all.extend(case.restored_start());
    all.extend(case.little_room());
    all.extend(case.images().filter_map(|(memory, image)| case.blank_tail(memory, image)));
    all.extend(case.unused_bits());
    all
}

/// The image has bytes where this chip's memory has none.
pub fn outside_memory(chip: &Chip, memory: Memory, named: &NamedImage) -> Option<Finding> {
    let size = if memory == Memory::Eeprom { chip.eeprom.bytes } else { chip.flash.bytes };
    let end = ByteAddress(size);
    let past = Span::new(end, named.image.extent()?.end())?;
    let lost: usize = named.image.within(past).map(|(_, run)| run.len()).sum();
    let first = named.image.within(past).next()?.0;
    let sentence = format!(
        "{} has {} outside of the {} of {}, the first at {first}; the last address there is {}. Use an image that was built for \
         this chip.",
        named.name,
        Bytes(lost as u64),
        called(memory),
        chip.part,
        ByteAddress(size.saturating_sub(1))
    );
    (lost > 0).then(|| Finding::new(Kind::ImageOutsideFlash, sentence))
}

/// A span as people read it: one address for one byte.
pub(super) fn place(span: Span) -> String {
    if span.len() == 1 { span.start().to_string() } else { span.to_string() }
}

/// A memory as sentences call it.
pub(super) fn called(memory: Memory) -> &'static str {
    if memory == Memory::Eeprom { "EEPROM" } else { memory.name() }
}

impl<'a> Case<'a> {
    pub(super) fn loader(&self) -> Option<&'a NamedImage> {
        match &self.intent.loader {
            LoaderIntent::Install(loader) => Some(loader),
            LoaderIntent::Keep | LoaderIntent::Remove => None,
        }
    }

    pub(super) fn application(&self) -> Option<&'a NamedImage> {
        match &self.intent.application {
            ApplicationIntent::Write(application) => Some(application),
            ApplicationIntent::Keep => None,
        }
    }

    fn images(&self) -> impl Iterator<Item = (Memory, &'a NamedImage)> {
        let flash = self.loader().into_iter().chain(self.application()).map(|image| (Memory::Flash, image));
        flash.chain(self.intent.eeprom.iter().map(|image| (Memory::Eeprom, image)))
    }

    fn reservation(&self) -> Option<Span> {
        self.board.reservation.as_ref().map(|reservation| reservation.span)
    }

    /// Where reset starts afterwards.
    fn start(&self) -> ByteAddress {
        fields::reset_start(self.chip, &self.desired.configuration)
    }

    fn shape(&self, memory: Memory) -> (u32, u32, u8) {
        let shape = if memory == Memory::Eeprom { self.chip.eeprom } else { self.chip.flash };
        (shape.bytes, shape.page, shape.blank)
    }

    fn overlaps_loader(&self) -> Option<Finding> {
        let application = self.application()?;
        let spans = loader_spans(self.intent, self.baseline, self.chip, self.board);
        let hit = spans.iter().find_map(|span| Some((*span, application.image.crop(*span).extent()?)));
        let (loader, hit) = hit?;
        let holds = if self.loader().is_some() { "will hold" } else { "holds" };
        Some(overlap_finding(application, hit, &format!("{holds} the loader ({loader})")))
    }

    fn outside_reservation(&self) -> Option<Finding> {
        let (loader, reserved) = (self.loader()?, self.reservation()?);
        let astray: usize = fields::outside(loader.image.extent()?, &[reserved]).iter().map(|span| loader.image.crop(*span).len()).sum();
        let extent = loader.image.extent()?;
        let sentence = format!(
            "The loader {} takes {extent}. Board {} reserves {reserved} ({}) for a loader; outside of that it has {}. Use a loader \
             that was linked for this reservation.",
            loader.name,
            self.board.name,
            Bytes(reserved.len() as u64),
            Bytes(astray as u64)
        );
        (astray > 0).then(|| Finding::new(Kind::LoaderOutsideReservation, sentence))
    }

    /// The application on the board reaches into the reservation when reset starts at address 0, something is there, and the
    /// reservation holds bytes that are not the loader's. Where reset starts a loader, only what lies before it can be application.
    fn baud(&self) -> Option<Finding> {
        let built = built_loader(self.loader()?, self.board, self.chip)?;
        let speed = built.speed;
        let fitting: Vec<String> = LineSpeed::fitting(speed.clock).iter().map(u32::to_string).collect();
        let instead = match fitting.is_empty() {
            true => "No usual rate fits this clock.".to_string(),
            false => format!("Within 2 % are: {}. Put one of them into the board file.", fitting.join(", ")),
        };
        let sentence = format!(
            "UART{} cannot give {} baud at {}: the nearest is {:.1} % off, and a line should be within 2 %. {instead}",
            built.usart,
            speed.baud,
            speed.clock,
            speed.percent_off().abs()
        );
        (!speed.fits()).then(|| Finding::new(Kind::BaudNotReachable, sentence))
    }

    fn application_in_reservation(&self) -> Option<Finding> {
        let (loader, reserved) = (self.loader()?, self.reservation()?);
        if self.application().is_some() {
            return None;
        }
        let held = &self.baseline.flash.bytes;
        let blank = self.chip.flash.blank;
        let resident = fields::resident_loader(self.chip, self.baseline);
        let end = resident.map_or(reserved.end(), |section| section.start().clamp(reserved.start(), reserved.end()));
        let part = Span::new(reserved.start(), end)?;
        let starts = fields::occupied(held, Span::first(self.chip.flash.page), blank).is_some();
        let reach = fields::occupied(held, part, blank)?;
        let same = held.filled(part, blank) == loader.image.crop(part).filled(part, blank);
        let sentence = format!(
            "The application on the board has bytes at {}, in the flash that the loader needs ({reserved}). Write one that ends before \
             {} (`--with APPLICATION`). If what is there is a loader that nothing starts, `farrier loader remove` clears it.",
            place(reach),
            reserved.start()
        );
        (starts && !same).then(|| Finding::new(Kind::ApplicationOverlapsReservation, sentence))
    }

    fn conflict(&self) -> Option<Finding> {
        let (loader, application) = (self.loader()?, self.application()?);
        let mut together = loader.image.clone();
        let conflict = application.image.runs().find_map(|(at, run)| together.add(at, run).err())?;
        Some(Finding::new(
            Kind::ConflictingImageData,
            format!(
                "At {} the loader {} has 0x{:02X} and {} has 0x{:02X}. Leave one of the two images out, or cut it down.",
                conflict.at, loader.name, conflict.held, application.name, conflict.given
            ),
        ))
    }

    /// Bits without a meaning, and field values without a name, that a configuration image asks for. What the baseline has stays.
    fn reserved_bits(&self) -> Option<Finding> {
        let named = self.intent.configuration_image.as_ref()?;
        let asked = |n: usize| named.image.byte(ByteAddress(n as u32));
        let unused = self.chip.configuration.iter().enumerate().find_map(|(n, of)| {
            let given = asked(n)?;
            (given & !of.used != !of.used).then(|| {
                let bits = !given & !of.used;
                format!("{} programs bits of the {} configuration byte that have no meaning (mask 0x{bits:02X})", named.name, of.name)
            })
        });
        let baseline = self.baseline.configuration.as_deref().unwrap_or_default();
        let reserved = self.chip.fields.iter().find(|field| {
            let now = field.bits_in(&self.desired.configuration);
            asked(field.byte).is_some() && fields::value(field, &self.desired.configuration).is_none() && now != field.bits_in(baseline)
        });
        let reserved = reserved.map(|field| format!("{} gives {} ({}) a value that is reserved", named.name, field.name, field.symbol));
        let what = unused.or(reserved)?;
        let sentence = format!("{what}. Correct the image, or name the fields to change with `farrier configure FIELD=VALUE`.");
        Some(Finding::new(Kind::ReservedBitsChanged, sentence))
    }

    /// An image that replaces only part of the settings store, over settings that are there.
    fn settings_lost(&self) -> Option<Finding> {
        let named = self.intent.eeprom.as_ref()?;
        let store = settings_store(self.chip, self.board);
        if named.image.covers(store) {
            return None;
        }
        let changed = changed_bytes(&self.baseline.eeprom.bytes, &self.desired.eeprom, store, self.chip.eeprom.blank);
        let extent = named.image.extent()?;
        let sentence = format!(
            "{} has other values for {} of the settings that are there, and replaces the store ({store}) only in part ({}). To keep \
             the settings, leave EEPROM out of the job; the snapshot keeps what could be read of them.",
            named.name,
            Bytes(changed as u64),
            place(extent)
        );
        (changed > 0).then(|| Finding::new(Kind::SettingsLost, sentence))
    }

    /// Other bytes are wanted in EEPROM that the configuration locks, and is to lock afterwards too.
    fn eeprom_locked(&self) -> Option<Finding> {
        let (field, span) = self.chip.locked_eeprom(self.baseline.configuration.as_deref()?)?;
        self.chip.locked_eeprom(&self.desired.configuration)?;
        let (before, after) = (&self.baseline.eeprom.bytes, &self.desired.eeprom);
        let other = |at: &u32| after.byte(ByteAddress(*at)).is_some_and(|byte| before.byte(ByteAddress(*at)) != Some(byte));
        let changed = (span.start().0..span.end().0).filter(other).count();
        let sentence = format!(
            "{} of the EEPROM are to become other ones at {span}, which {} keeps from being written. To change them, open it first: \
             `farrier configure {}={}`, and lock it again afterwards. To keep them, leave them out.",
            Bytes(changed as u64),
            field.symbol,
            field.name,
            field.opening()?.name
        );
        (changed > 0).then(|| Finding::new(Kind::EepromLocked, sentence))
    }

    /// Other bytes come where the board has its serial number.
    fn serial_number_lost(&self) -> Option<Finding> {
        let number = self.board.serial_number.as_ref()?;
        let was = restore::serial_number(self.baseline, self.board, self.chip)?;
        let (.., blank) = self.shape(number.memory);
        let is = self.desired.memory(number.memory)?.filled(number.span, blank);
        let sentence = format!(
            "The serial number of this board ({} {}) gets other bytes. It tells the board from all others. To keep it, leave these bytes \
             out of the image; the snapshot keeps what is there now.",
            called(number.memory),
            place(number.span)
        );
        (was != is).then(|| Finding::new(Kind::SerialNumberLost, sentence))
    }

    fn loader_removed(&self) -> Option<Finding> {
        match self.intent.loader {
            LoaderIntent::Remove => {}
            LoaderIntent::Keep => return self.idle_loader_overwritten(),
            LoaderIntent::Install(_) => return None,
        }
        let spans = removed_spans(self.baseline, self.chip, self.board);
        let held = &self.baseline.flash.bytes;
        let there = spans.iter().find_map(|span| fields::occupied(held, *span, self.chip.flash.blank))?;
        let sentence = match fields::resident_loader(self.chip, self.baseline) {
            Some(_) => {
                let whole = self.chip.flash_span();
                let left: u32 = fields::outside(whole, &spans).iter().map(|span| span.len()).sum();
                let room = Bytes((whole.len() - left).into());
                let wait = self.board.reservation.as_ref().map_or(0, |reservation| reservation.start_delay_ms);
                let sooner = if wait > 0 { format!(", up to {} s sooner", f64::from(wait) / 1000.0) } else { String::new() };
                format!(
                    "The loader at {there} is taken off. Gained: {room} of flash for the application, which reset then starts at \
                     once{sooner}. Lost: new firmware gets in only through the programming header."
                )
            }
            None => format!("What is at {there} is taken off, although reset does not start there. The snapshot keeps it."),
        };
        Some(Finding::new(Kind::LoaderRemoved, sentence))
    }

    /// A loader that reset does not start, in the way of an application to be written. What begins where the reservation begins, with a
    /// blank page before it, is no part of the application on the board.
    fn idle_loader_overwritten(&self) -> Option<Finding> {
        let reserved = self.application().and(self.board.reservation.as_ref())?.span;
        let (held, blank, page) = (&self.baseline.flash.bytes, self.chip.flash.blank, self.chip.flash.page);
        let there = fields::occupied(held, reserved, blank).filter(|there| there.start() == reserved.start())?;
        let before = Span::new(ByteAddress(reserved.start().0.checked_sub(page)?), reserved.start())?;
        let apart = held.covers(before) && fields::occupied(held, before, blank).is_none();
        let stays = held.filled(reserved, blank) == self.desired.flash.filled(reserved, blank);
        let sentence = format!(
            "Reset does not start what is at {there}, in the flash that is reserved for a loader, so the application takes that flash \
             too and what is there is lost. To keep it, choose first that reset starts it: `farrier configure reset-start=loader`."
        );
        (apart && !stays).then(|| Finding::new(Kind::LoaderRemoved, sentence))
    }

    /// Reset starts at blank flash afterwards, and did not before, or somewhere else.
    fn empty_start(&self) -> Option<Finding> {
        let start = self.start();
        let blank_at = |image: &Image, at: ByteAddress| {
            let word = Span::sized(at, 2)?;
            image.covers(word).then(|| image.filled(word, 0).iter().all(|byte| *byte == self.chip.flash.blank))
        };
        let before = fields::reset_start(self.chip, self.baseline.configuration.as_deref()?);
        let was_empty = blank_at(&self.baseline.flash.bytes, before) == Some(true);
        let is_empty = blank_at(&self.desired.flash, start) == Some(true);
        let advice = match self.intent.loader {
            LoaderIntent::Remove => "Write an application in the same command or next, with `farrier write IMAGE`.",
            _ if self.chip.field_for(Role::ResetStart).is_none() => "Write something there, with `farrier write IMAGE`.",
            _ => "Write something there, or choose where reset starts with `farrier configure`.",
        };
        let sentence = format!("Afterwards reset starts at {start}, and the flash there is empty: the board will do nothing. {advice}");
        (is_empty && (!was_empty || before != start)).then(|| Finding::new(Kind::ResetIntoEmptyFlash, sentence))
    }

    /// What is written, or where reset comes to start, has it start in the middle of what is in the flash: of a loader that begins before,
    /// or of an application.
    fn start_in_the_middle(&self) -> Option<Finding> {
        let (start, application) = (self.start(), self.application());
        let moves = self.baseline.configuration.as_deref().is_some_and(|before| fields::reset_start(self.chip, before) != start);
        let words = [Span::sized(ByteAddress(start.0.checked_sub(2)?), 2)?, Span::sized(start, 2)?];
        // An image says itself which blank bytes are in it.
        let runs_on = words.into_iter().all(|word| match application {
            Some(application) => application.image.byte(word.start()).is_some(),
            None => fields::occupied(&self.desired.flash, word, self.chip.flash.blank).is_some(),
        });
        // An application that is written takes a reservation in which no loader is.
        let reserved = self.reservation().filter(|_| application.is_none());
        let mut begins = loader_spans(self.intent, self.baseline, self.chip, self.board).into_iter().chain(reserved);
        let begun = begins.any(|span| span.start() == start);
        let sentence = format!(
            "Afterwards reset starts at {start}, in the middle of {}. Choose a boot section that begins where the loader does, or that \
             reset starts the application: `farrier configure reset-start=application`.",
            application.map_or("what is in the flash", |application| application.name.as_str())
        );
        let starts = moves || application.is_some();
        (starts && !begun && runs_on).then(|| Finding::new(Kind::ImageMayNotStart, sentence))
    }

    /// An application to be written, or left behind by the loader that is taken off, that does not look like a program.
    fn application_start(&self) -> Option<Finding> {
        let zero = ByteAddress(0);
        match (self.application(), &self.intent.loader) {
            (Some(application), _) => start_finding(&application.name, &application.image, zero, self.chip),
            // Blank flash there has a finding of its own.
            (None, LoaderIntent::Remove) if self.desired.flash.byte(zero).is_some_and(|byte| byte != self.chip.flash.blank) => {
                start_finding("The application on the board", &self.desired.flash, zero, self.chip)
            }
            _ => None,
        }
    }

    fn loader_start(&self) -> Option<Finding> {
        let loader = self.loader()?;
        start_finding(&loader.name, &loader.image, self.start(), self.chip)
    }

    /// A snapshot's flash with another configuration than its own, or one that never started.
    fn restored_start(&self) -> Option<Finding> {
        let restore = self.intent.restore.as_ref()?;
        let start = self.start();
        let word = Span::sized(start, 2)?;
        let (now, before) = (self.desired.flash.crop(word), self.baseline.flash.bytes.crop(word));
        let same = now == before && fields::reset_start(self.chip, self.baseline.configuration.as_deref()?) == start;
        // Blank flash there has a finding of its own.
        let blank = fields::occupied(&now, word, self.chip.flash.blank).is_none();
        let finding = start_finding(&format!("What the snapshot {} puts there", restore.name), &self.desired.flash, start, self.chip);
        finding.filter(|_| !same && !blank)
    }

    fn little_room(&self) -> Option<Finding> {
        if self.application().is_none() && self.loader().is_none() {
            return None;
        }
        let loader = loader_spans(self.intent, self.baseline, self.chip, self.board);
        let spans = fields::outside(Span::first(self.chip.flash.bytes), &loader);
        let room: u32 = spans.iter().map(|span| span.len()).sum();
        let taken = spans.iter().filter_map(|span| fields::occupied(&self.desired.flash, *span, self.chip.flash.blank)).map(Span::len);
        let taken: u32 = taken.sum();
        let free = room.saturating_sub(taken);
        let sentence = format!("The application takes {taken} of {room} bytes; {free} are free.");
        (u64::from(free) * 10 < u64::from(room) && taken > 0).then(|| Finding::new(Kind::LittleRoomLeft, sentence))
    }

    /// A page or more of blank bytes at the end.
    fn blank_tail(&self, memory: Memory, named: &NamedImage) -> Option<Finding> {
        let (_, page, blank) = self.shape(memory);
        let (at, run) = named.image.runs().last()?;
        let used = run.iter().rposition(|byte| *byte != blank).map_or(0, |last| last + 1);
        let tail = run.len() - used;
        let from = ByteAddress(at.0 + used as u32);
        let sentence = format!("{} ends in {} of 0x{blank:02X}, from {from} on. They are not written.", named.name, Bytes(tail as u64));
        (tail >= page as usize).then(|| Finding::new(Kind::BlankTail, sentence))
    }

    fn unused_bits(&self) -> Option<Finding> {
        let configuration = self.baseline.configuration.as_deref().unwrap_or_default();
        let bytes = configuration.iter().copied().zip(&self.chip.configuration);
        let lock = self.baseline.lock.iter().copied().zip([&self.chip.lock]);
        let odd: Vec<String> = bytes
            .chain(lock)
            .filter(|(byte, of)| byte | of.used != 0xFF)
            .map(|(byte, of)| format!("{} (0x{byte:02X}, mask 0x{:02X})", of.name, !byte & !of.used))
            .collect();
        let sentence = format!("Bits without a meaning read as programmed: {}. They are left out of comparisons.", odd.join(", "));
        (!odd.is_empty()).then(|| Finding::new(Kind::UnusedBitsRead, sentence))
    }
}

/// Where the board keeps its settings: the span that its file names, or the whole EEPROM.
pub(super) fn settings_store(chip: &Chip, board: &Board) -> Span {
    let whole = Span::first(chip.eeprom.bytes);
    board.settings.as_ref().and_then(|store| store.span.overlap(whole)).unwrap_or(whole)
}

/// How many bytes of `span` are set in `before` and are something else in `after`. A byte that could not be read may be set.
fn changed_bytes(before: &Image, after: &Image, span: Span, blank: u8) -> usize {
    let changed = |at: &u32| match (before.byte(ByteAddress(*at)), after.byte(ByteAddress(*at))) {
        (Some(old), new) => old != blank && new != Some(old),
        (None, new) => new.is_some(),
    };
    (span.start().0..span.end().0).filter(changed).count()
}

/// The field values that shut the way in use.
pub(super) fn shutting<'c>(chip: &'c Chip, configuration: &[u8], way: Way) -> Vec<(&'c str, &'c FieldValue)> {
    let value = |field: &'c Field| Some((field.symbol.as_str(), fields::value(field, configuration)?));
    chip.fields.iter().filter_map(value).filter(|(_, value)| value.shuts.contains(&way)).collect()
}

/// An application that has bytes in the flash which `does_what`, such as 'holds the loader'.
pub(super) fn overlap_finding(application: &NamedImage, hit: Span, does_what: &str) -> Finding {
    let sentence = format!(
        "{} has bytes at {}, in the flash that {does_what}. Write a smaller image, or take a combined one apart with `--only application`.",
        application.name,
        place(hit)
    );
    Finding::new(Kind::ImageOverlapsLoader, sentence)
}

/// An application that is known to have been built for another chip.
pub(super) fn of_another_chip(application: &NamedImage, chip: &Chip) -> Option<Finding> {
    let mut demos = demo_applications().iter();
    let DemoApplication { board, part, .. } = demos.find(|demo| demo.part != chip.part && demo.image == application.image)?;
    let sentence = format!(
        "{} is the demo application of board {board}, built for an {part}, and this board has an {}: on it other pins move.",
        application.name, chip.part
    );
    Some(Finding::new(Kind::ImageOfAnotherChip, sentence))
}

/// An image that a chip would not start.
pub(super) fn start_finding(name: &str, image: &Image, at: ByteAddress, chip: &Chip) -> Option<Finding> {
    let start = start_at(image, at, chip.core());
    if start.starts() {
        return None;
    }
    let part = &chip.part;
    let sentence = format!("{name} is started at {at}, but {start}. Check that it was built for {part} and for this place.");
    Some(Finding::new(Kind::ImageMayNotStart, sentence))
}
