//! The kinds, and what each does to a board.

use super::used::{put, settings_span, stand_in};
use super::{Bricked, MendedBy, Patient};
use crate::board::{ClockSource, Field, FieldValue, Role, demo_applications};
use crate::image::{Image, Span};
use crate::sim::clocking::{OutsideClock, system_clock};
use crate::sim::fault::{Fault, HeldLine};
use crate::sim::programming::weak_bits;
use crate::units::{Hertz, Millivolts};

/// A system clock that a normal programming clock does not suit: it allows less than 32 kHz.
const SLOW: Hertz = Hertz(128_000);
/// ID bytes of another part, and of another yet for a board that has that one.
const OTHER_IDS: [[u8; 3]; 2] = [[0x1E, 0x93, 0x07], [0x1E, 0x94, 0x06]];

const fn kind(name: &'static str, mended_by: MendedBy, brick: fn(&mut Patient) -> Result<(), String>, sentence: &'static str) -> Bricked {
    Bricked { name, sentence, mended_by, brick }
}

/// The catalog, in the order in which it is listed: memories, configuration, lines, supply, silicon.
pub const BRICKED: &[Bricked] = {
    use MendedBy::{Hand, HighVoltage, NewChip, ProgrammingHeader as Header};
    &[
        kind("half-written-application", Header, half_written_application, "An update of the application broke off in the middle."),
        kind("erased-application", Header, erased_application, "The application is gone, and the loader waits for one."),
        kind("wrong-offset", Header, wrong_offset, "The application was written some pages too far up."),
        kind("other-application", Header, other_application, "The application was built for another chip."),
        kind("half-written-loader", Header, half_written_loader, "Writing the loader broke off in the middle."),
        kind("erased-loader", Header, erased_loader, "The loader is gone, and reset still leads to where it was."),
        kind("overwritten-loader", Header, overwritten_loader, "An application that was too big was written over the loader."),
        kind("erased-chip", Header, erased_chip, "Someone erased the whole chip: flash, EEPROM and lock bits."),
        kind("wiped-settings", Header, wiped_settings, "The settings are gone: the EEPROM is blank."),
        kind("bypassed-loader", Header, bypassed_loader, "Reset leads to the application, so that the loader never runs."),
        kind("small-boot-section", Header, small_boot_section, "The boot section is set too small: reset leads into the loader's middle."),
        kind("endless-watchdog", Header, endless_watchdog, "The watchdog is always on, and resets firmware that never feeds it."),
        kind("missing-clock", Header, missing_clock, "A clock source was chosen that the board does not have."),
        kind("slow-clock", Header, slow_clock, "The clock was made so slow that a normal programming clock fails."),
        kind("brown-out-above-supply", Header, brown_out, "The brown-out level is above the supply: the firmware never starts."),
        kind(
            "brown-out-deaf",
            Hand,
            deaf_brown_out,
            "The brown-out level is above the supply, and meanwhile the chip does not even answer.",
        ),
        kind("locked-chip", Header, locked_chip, "The lock bits forbid reading and writing through the programming header."),
        kind("reset-disabled", HighVoltage, reset_disabled, "RSTDISBL is programmed: RESET is an ordinary pin."),
        kind("serial-programming-off", HighVoltage, serial_programming_off, "SPIEN is unprogrammed: the programming header is off."),
        kind("debug-wire", HighVoltage, debug_wire, "DWEN is programmed: RESET is a debug line."),
        kind("open-miso", Hand, open_miso, "MISO does not reach the bridge."),
        kind("joined-data", Hand, joined_data, "MOSI and MISO are joined by a drop of solder."),
        kind("crossed-data", Hand, crossed_data, "MOSI and MISO are crossed."),
        kind("held-reset", Hand, held_reset, "Another part holds RESET high."),
        kind("reversed-cable", Hand, reversed_cable, "The plug sits on the programming header the wrong way round."),
        kind("no-supply", Hand, no_supply, "The board has no supply."),
        kind("weak-supply", Hand, weak_supply, "The supply is too low, and gives way as soon as the chip writes."),
        kind("weak-cells", NewChip, weak_cells, "Cells in one page of the flash do not hold what is written."),
        kind("other-chip", NewChip, other_chip, "Another chip is fitted than the board should have."),
    ]
};

fn half_written_application(patient: &mut Patient) -> Result<(), String> {
    let image = patient.used.application.clone();
    patient.half_written(&image);
    Ok(())
}

fn erased_application(patient: &mut Patient) -> Result<(), String> {
    patient.loader()?;
    patient.erase(patient.board.application(patient.chip));
    Ok(())
}

fn wrong_offset(patient: &mut Patient) -> Result<(), String> {
    let (room, page) = (patient.board.application(patient.chip), patient.chip.flash.page);
    let image = patient.used.application.clone();
    let end = image.extent().map_or(room.start(), Span::end);
    let most = (room.end().0 - end.0.min(room.end().0)) / page;
    if most == 0 {
        return Err("its application leaves no page free to move into".into());
    }
    let offset = patient.rng.u32(1..=most.min(8)) * page;
    patient.erase(room);
    for (at, bytes) in image.runs() {
        put(&mut patient.contents.flash, at.0 + offset, bytes);
    }
    Ok(())
}

fn other_application(patient: &mut Patient) -> Result<(), String> {
    let room = patient.board.application(patient.chip);
    let fits = |image: &Image| image.extent().is_some_and(|extent| room.encloses(extent));
    let mut demos = demo_applications().iter();
    let other = demos.find(|demo| demo.part != patient.chip.part && fits(&demo.image)).map(|demo| demo.image.clone());
    let other = other.ok_or_else(|| format!("no application that is built in for another chip fits its {} bytes", room.len()))?;
    patient.erase(room);
    patient.write(&other);
    Ok(())
}

fn half_written_loader(patient: &mut Patient) -> Result<(), String> {
    let loader = patient.loader()?;
    patient.half_written(&loader);
    Ok(())
}

fn erased_loader(patient: &mut Patient) -> Result<(), String> {
    patient.loader()?;
    let reserved = patient.board.reservation.as_ref().map(|reservation| reservation.span);
    reserved.into_iter().for_each(|span| patient.erase(span));
    Ok(())
}

fn overwritten_loader(patient: &mut Patient) -> Result<(), String> {
    patient.loader()?;
    let (chip, application) = (patient.chip, patient.board.application(patient.chip));
    let reserved = chip.flash.bytes - application.len();
    // Into the loader's first half: what was written last is its end.
    let too_big = stand_in(chip, application.start(), application.len() + reserved / 2, "too big");
    if too_big.extent().is_none_or(|extent| extent.end().0 > chip.flash.bytes) {
        return Err("its loader lies below the application, where no application grows into it".into());
    }
    patient.erase(chip.flash_span());
    patient.write(&too_big);
    Ok(())
}

fn erased_chip(patient: &mut Patient) -> Result<(), String> {
    patient.erase(patient.chip.flash_span());
    patient.contents.eeprom.fill(patient.chip.eeprom.blank);
    patient.contents.lock = patient.chip.lock.factory;
    Ok(())
}

fn wiped_settings(patient: &mut Patient) -> Result<(), String> {
    let span = settings_span(patient.board, patient.chip);
    let blank = vec![patient.chip.eeprom.blank; span.len() as usize];
    put(&mut patient.contents.eeprom, span.start().0, &blank);
    Ok(())
}

fn bypassed_loader(patient: &mut Patient) -> Result<(), String> {
    patient.loader()?;
    patient.set(Role::ResetStart, "where reset leads", |value| value.name == "application")
}

fn small_boot_section(patient: &mut Patient) -> Result<(), String> {
    patient.loader()?;
    let chip = patient.chip;
    let now = chip.boot_section(&patient.contents.fuses).map_or(0, Span::len);
    let smaller = chip.boot_sections.iter().filter(|section| section.span.len() < now).max_by_key(|section| section.span.len());
    let smaller = smaller.ok_or_else(|| format!("{} has no boot section smaller than {now} bytes", chip.part))?.bits;
    patient.set(Role::BootSection, "the size of the boot section", |value| Some(value.bits) == smaller)
}

fn endless_watchdog(patient: &mut Patient) -> Result<(), String> {
    patient.set_symbol("WDTON", 0)?;
    patient.differs_from_used("its watchdog is always on")
}

fn missing_clock(patient: &mut Patient) -> Result<(), String> {
    let outside = OutsideClock::fitted(patient.board);
    let (chip, before) = (patient.chip, patient.contents.fuses.clone());
    let field = chip.field_for(Role::Clock);
    let missing = |field: &Field, value: &FieldValue| {
        let mut fuses = before.clone();
        field.set(&mut fuses, value.bits);
        value.clock.is_some() && system_clock(chip, &fuses, outside).is_none()
    };
    let mut values: Vec<&FieldValue> = field.iter().flat_map(|field| field.values.iter().filter(|value| missing(field, value))).collect();
    values.sort_by_key(|value| value.clock != Some(ClockSource::External));
    let chosen = values.first().ok_or_else(|| format!("{} has no clock source that this board lacks", chip.part))?.bits;
    patient.set(Role::Clock, "a choice of clocks", |value| value.bits == chosen)
}

fn slow_clock(patient: &mut Patient) -> Result<(), String> {
    let chip = patient.chip;
    let own = |value: &FieldValue| if let Some(ClockSource::Internal { hz }) = value.clock { Some(hz) } else { None };
    let values = chip.field_for(Role::Clock).map_or(&[][..], |field| &field.values);
    let slowest =
        values.iter().filter_map(own).min().ok_or_else(|| format!("no fuse of {} chooses an oscillator of its own", chip.part))?;
    patient.set(Role::Clock, "a choice of clocks", |value| own(value) == Some(slowest))?;
    // Parts without the divider are as slow as their oscillator.
    let divides = patient.set(Role::ClockDivider, "a clock divider", |value| value.name == "on").is_ok();
    let clock = Hertz(if divides { slowest.0 / 8 } else { slowest.0 });
    match clock <= SLOW {
        true => patient.differs_from_used("its clock is as slow"),
        false => Err(format!("the slowest clock that {} can give itself is {clock}, which a normal programming clock suits", chip.part)),
    }
}

fn brown_out(patient: &mut Patient) -> Result<(), String> {
    let (chip, supply) = (patient.chip, patient.board.levels);
    let levels = chip.fields.iter().flat_map(|field| field.values.iter().map(move |value| (field, value)));
    let highest = levels.filter_map(|(field, value)| Some((value.resets_below?, field, value))).max_by_key(|(level, ..)| *level);
    let (level, field, value) = highest.ok_or_else(|| format!("{} has no brown-out level that its chip file gives in volts", chip.part))?;
    if level <= supply {
        return Err(format!("the highest brown-out level of {} is {level}, and the board runs at {supply}", chip.part));
    }
    field.set(&mut patient.contents.fuses, value.bits);
    Ok(())
}

fn deaf_brown_out(patient: &mut Patient) -> Result<(), String> {
    brown_out(patient)?;
    patient.fault(Fault::DeafInBrownOut)
}

fn locked_chip(patient: &mut Patient) -> Result<(), String> {
    let field = patient.chip.field_for(Role::ProgrammingLock);
    let value = field.and_then(|field| Some((field, field.values.iter().find(|value| value.forbids_reading && value.forbids_writing)?)));
    let (field, value) = value.ok_or_else(|| format!("{} has no lock bits against reading and writing", patient.chip.part))?;
    let mut lock = [patient.contents.lock];
    field.set(&mut lock, value.bits);
    [patient.contents.lock] = lock;
    Ok(())
}

fn reset_disabled(patient: &mut Patient) -> Result<(), String> {
    patient.set_symbol("RSTDISBL", 0)
}

fn serial_programming_off(patient: &mut Patient) -> Result<(), String> {
    patient.set_symbol("SPIEN", 1)
}

fn debug_wire(patient: &mut Patient) -> Result<(), String> {
    patient.set_symbol("DWEN", 0)
}

fn open_miso(patient: &mut Patient) -> Result<(), String> {
    patient.fault(Fault::OpenMiso)
}

fn joined_data(patient: &mut Patient) -> Result<(), String> {
    patient.fault(Fault::ShortedData)
}

fn crossed_data(patient: &mut Patient) -> Result<(), String> {
    patient.fault(Fault::SwappedData)
}

fn held_reset(patient: &mut Patient) -> Result<(), String> {
    patient.fault(Fault::HeldLine(HeldLine::Reset, true))
}

/// A header in one row, or of loose pins, has no plug that fits the wrong way round on all of them.
fn reversed_cable(patient: &mut Patient) -> Result<(), String> {
    match patient.board.header.shape() {
        Some((2, _)) => patient.fault(Fault::ReversedCable),
        _ => Err(format!("its programming header ({}) has no two rows that a plug could sit on turned round", patient.board.header.kind)),
    }
}

fn no_supply(patient: &mut Patient) -> Result<(), String> {
    patient.fault(Fault::NoPower)
}

/// Seven eighths of the least that the board bears: reading takes next to no current and works; a write takes some milliamperes, the supply
/// gives way, and the write is not done in full. Where that is below what chips work at, the chip does not answer.
fn weak_supply(patient: &mut Patient) -> Result<(), String> {
    let Millivolts(least) = patient.board.supply.0;
    patient.fault(Fault::WeakSupply(Millivolts(least / 8 * 7)))
}

fn weak_cells(patient: &mut Patient) -> Result<(), String> {
    let (page, application) = (patient.chip.flash.page, &patient.used.application);
    // A small page may happen to have a 1 wherever its cells are weak.
    let lost = |span: Span| {
        let mut bytes =
            application.within(span).flat_map(|(at, run)| run.iter().enumerate().map(move |(n, byte)| (at.0 as usize + n, byte)));
        bytes.any(|(at, byte)| !byte & weak_bits(at) != 0)
    };
    let pages = application.spans().flat_map(|span| span.to_pages(page).pages(page));
    let shown: Vec<u32> = pages.filter(|span| lost(*span)).map(|span| span.start().0 / page).collect();
    match patient.rng.choice(shown) {
        Some(chosen) => patient.fault(Fault::WeakCells(chosen)),
        None => Err("its application has no page in which weak cells would show".into()),
    }
}

fn other_chip(patient: &mut Patient) -> Result<(), String> {
    let other = OTHER_IDS.into_iter().find(|id| *id != patient.chip.id);
    other.map_or(Ok(()), |id| patient.fault(Fault::OtherChip(id)))
}

impl Patient<'_> {
    fn loader(&self) -> Result<Image, String> {
        self.used.loader.clone().ok_or_else(|| "it reserves no flash for a loader".into())
    }

    fn fault(&mut self, fault: Fault) -> Result<(), String> {
        self.faults.push(fault);
        Ok(())
    }

    fn erase(&mut self, span: Span) {
        let blank = vec![self.chip.flash.blank; span.len() as usize];
        put(&mut self.contents.flash, span.start().0, &blank);
    }

    fn write(&mut self, image: &Image) {
        for (at, bytes) in image.runs() {
            put(&mut self.contents.flash, at.0, bytes);
        }
    }

    /// Leaves the first half of the image's pages written, the next one torn, and the others blank. Of a single page, half the bits.
    fn half_written(&mut self, image: &Image) {
        let page = self.chip.flash.page;
        let pages: Vec<Span> = image.spans().flat_map(|span| span.to_pages(page).pages(page)).collect();
        let (torn, lost) = pages.split_at(pages.len() / 2).1.split_at(1.min(pages.len()));
        lost.iter().for_each(|span| self.erase(*span));
        for span in torn {
            let cells = self.contents.flash.iter_mut().skip(span.start().0 as usize).take(span.len() as usize);
            cells.for_each(|cell| *cell |= self.rng.u8(..));
        }
    }

    /// A board that has been so all along is not bricked.
    fn differs_from_used(&self, what: &str) -> Result<(), String> {
        match self.contents.fuses != self.used.contents.fuses {
            true => Ok(()),
            false => Err(format!("{what} on a used board, too")),
        }
    }

    /// Sets the field with this role to its first value that suits.
    fn set(&mut self, role: Role, what: &str, suits: impl Fn(&FieldValue) -> bool) -> Result<(), String> {
        let field = self.chip.field_for(role).ok_or_else(|| format!("{} has no bits for {what}", self.chip.part))?;
        let value = field.values.iter().find(|value| suits(value));
        let value = value.ok_or_else(|| format!("{} cannot be set so: {what}", self.chip.part))?;
        field.set(&mut self.contents.fuses, value.bits);
        Ok(())
    }

    /// Sets the field with this symbol of the datasheet.
    fn set_symbol(&mut self, symbol: &str, bits: u8) -> Result<(), String> {
        let field = self.chip.fields.iter().find(|field| field.symbol == symbol);
        let field = field.ok_or_else(|| format!("{} has no {symbol}", self.chip.part))?;
        field.set(&mut self.contents.fuses, bits);
        Ok(())
    }
}
