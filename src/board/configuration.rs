//! What configuration and lock bytes mean on a chip and a board. Pure.

use super::chip::{Chip, ClockSource, Field, FieldValue, Role, Way, WayIn};
use super::layout::Board;
use crate::image::{Core, Span};
use crate::units::{Hertz, Millivolts};

/// The fastest crystal that the small swing drives. Source: 2486, section "Crystal Oscillator", from memory.
pub(super) const SMALL_SWING: Hertz = Hertz(8_000_000);

/// A field together with what stands in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setting<'c> {
    pub field: &'c Field,
    /// Shifted down to bit 0.
    pub bits: u8,
    /// `None` where the bits have no name: a reserved code, or one that the chip file does not know.
    pub value: Option<&'c FieldValue>,
}

impl Setting<'_> {
    /// The value's name, or the bits as `0b0001`.
    pub fn name(&self) -> String {
        match self.value {
            Some(value) => value.name.clone(),
            None => format!("0b{:0width$b}", self.bits, width = self.field.mask.count_ones() as usize),
        }
    }

    /// What the value means.
    pub fn words(&self) -> &str {
        match self.value {
            Some(value) => value.words.as_str(),
            None if self.field.incomplete => "a code that the chip file does not know",
            None => "reserved",
        }
    }
}

impl Field {
    /// The field's bits in its byte of `bytes`, shifted down; `None` where there are fewer bytes.
    pub fn bits_in(&self, bytes: &[u8]) -> Option<u8> {
        Some((bytes.get(self.byte)? & self.mask) >> self.mask.trailing_zeros().min(7))
    }

    /// Puts the bits (as in [`FieldValue::bits`]) into the field; other bits stay.
    pub fn set(&self, bytes: &mut [u8], bits: u8) {
        if let Some(byte) = bytes.get_mut(self.byte) {
            *byte = (*byte & !self.mask) | ((bits << self.mask.trailing_zeros().min(7)) & self.mask);
        }
    }

    /// The value of this name.
    pub fn value(&self, name: &str) -> Option<&FieldValue> {
        self.values.iter().find(|value| value.name == name)
    }

    /// What stands in the field; `None` where there are fewer bytes.
    pub fn read<'c>(&'c self, bytes: &[u8]) -> Option<Setting<'c>> {
        let bits = self.bits_in(bytes)?;
        Some(Setting { field: self, bits, value: self.values.iter().find(|value| value.bits == bits) })
    }

    /// The value that locks no EEPROM, of a field that can.
    pub fn opening(&self) -> Option<&FieldValue> {
        self.values.iter().find(|value| value.locks_eeprom.is_none())
    }

    /// The names of the values that do not hold a chip with this supply in reset.
    pub fn values_at(&self, supply: Millivolts) -> impl Iterator<Item = &str> {
        let runs = move |value: &&FieldValue| value.resets_below.is_none_or(|level| level <= supply);
        self.values.iter().filter(runs).map(|value| value.name.as_str())
    }

    /// Whether people may call the field so: by its name, or by the datasheet's symbol with or without the bit numbers.
    fn answers_to(&self, called: &str) -> bool {
        let stem = self.symbol.split(|c: char| c.is_ascii_digit()).next().unwrap_or_default();
        self.name == called || self.symbol.eq_ignore_ascii_case(called) || stem.eq_ignore_ascii_case(called)
    }
}

/// What a lock byte forbids through a way in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Forbids {
    /// Reading flash and EEPROM. The lock bits themselves are then fixed too, until an erase.
    pub reading: bool,
    /// Writing flash, EEPROM and configuration.
    pub writing: bool,
}

impl Chip {
    /// The configuration field of this name or datasheet symbol.
    pub fn field(&self, called: &str) -> Option<&Field> {
        self.fields.iter().find(|field| field.answers_to(called))
    }

    /// The lock field of this name or datasheet symbol.
    pub fn lock_field(&self, called: &str) -> Option<&Field> {
        self.lock_fields.iter().find(|field| field.answers_to(called))
    }

    /// The configuration or lock field with this role.
    pub fn field_for(&self, role: Role) -> Option<&Field> {
        self.fields.iter().chain(&self.lock_fields).find(|field| field.role == Some(role))
    }

    /// The configuration as the part is shipped.
    pub fn factory_configuration(&self) -> Vec<u8> {
        self.configuration.iter().map(|byte| byte.factory).collect()
    }

    /// What configuration bytes say, field by field, in the order of the chip file.
    pub fn decode(&self, configuration: &[u8]) -> Vec<Setting<'_>> {
        self.fields.iter().filter_map(|field| field.read(configuration)).collect()
    }

    /// What the lock byte says.
    pub fn decode_lock(&self, lock: u8) -> Vec<Setting<'_>> {
        self.lock_fields.iter().filter_map(|field| field.read(&[lock])).collect()
    }

    /// What the lock byte forbids. A reserved value of the programming lock is taken to forbid everything.
    pub fn forbids(&self, lock: u8) -> Forbids {
        let mut all = Forbids { reading: false, writing: false };
        for setting in self.decode_lock(lock) {
            match setting.value {
                Some(value) => {
                    all.reading |= value.forbids_reading;
                    all.writing |= value.forbids_writing;
                }
                None if setting.field.role == Some(Role::ProgrammingLock) => return Forbids { reading: true, writing: true },
                None => {}
            }
        }
        all
    }

    /// How the chip is programmed through this interface; `None` where it is not.
    pub fn way_in(&self, way: Way) -> Option<&WayIn> {
        self.ways_in.iter().find(|way_in| way_in.way == way)
    }

    /// The part of the EEPROM that this configuration keeps from being written, and the field that says so.
    pub fn locked_eeprom(&self, configuration: &[u8]) -> Option<(&Field, Span)> {
        self.fields.iter().find_map(|field| Some((field, field.read(configuration)?.value?.locks_eeprom?)))
    }

    /// The name of the value that stands in the field with this role.
    pub(super) fn value_for(&self, role: Role, configuration: &[u8]) -> Option<&FieldValue> {
        self.field_for(role)?.read(configuration)?.value
    }

    /// What runs the chip with this configuration; `None` for a reserved code.
    pub fn clock_source(&self, configuration: &[u8]) -> Option<ClockSource> {
        match self.own_clock {
            Some(hz) => Some(ClockSource::Internal { hz }),
            None => self.value_for(Role::Clock, configuration)?.clock,
        }
    }

    /// What can run the chip, in the order of the chip file.
    pub fn clock_sources(&self) -> impl Iterator<Item = ClockSource> {
        let chosen = self.field_for(Role::Clock).into_iter().flat_map(|field| &field.values).filter_map(|value| value.clock);
        self.own_clock.map(|hz| ClockSource::Internal { hz }).into_iter().chain(chosen)
    }

    /// The chip's own oscillators, undivided.
    pub fn own_oscillators(&self) -> impl Iterator<Item = Hertz> {
        self.clock_sources().filter_map(|source| if let ClockSource::Internal { hz } = source { Some(hz) } else { None })
    }

    /// What the chip's own oscillators give, each whole and, where the chip can, divided by 8: `(oscillator, what it gives)`.
    pub fn own_clocks(&self) -> impl Iterator<Item = (Hertz, Hertz)> {
        let divides = self.field_for(Role::ClockDivider).is_some();
        let eighth = move |own: Hertz| divides.then_some((own, Hertz(own.0 / 8)));
        self.own_oscillators().flat_map(move |own| std::iter::once((own, own)).chain(eighth(own)))
    }

    /// The clock that the chip runs at after reset with this configuration on this board; `None` where the board does not
    /// have what the configuration asks for, or the code is reserved.
    pub fn system_clock(&self, board: &Board, configuration: &[u8]) -> Option<Hertz> {
        let full = match (self.clock_source(configuration)?, board.clock.source) {
            (ClockSource::Internal { hz }, _) => hz,
            (ClockSource::Crystal { from_hz, to_hz }, ClockSource::Crystal { from_hz: fitted, .. })
                if (from_hz..=to_hz).contains(&fitted) =>
            {
                fitted
            }
            (ClockSource::External, ClockSource::External) => board.clock.hz,
            _ => return None,
        };
        let divided = self.value_for(Role::ClockDivider, configuration).is_some_and(|value| value.name == "on");
        Some(if divided { Hertz(full.0 / 8) } else { full })
    }

    /// Whether this configuration has such a crystal driven, and only the full swing drives it.
    pub fn needs_full_swing(&self, fitted: ClockSource, configuration: &[u8]) -> bool {
        let chosen = self.value_for(Role::Clock, configuration);
        let crystal = chosen.is_some_and(|value| matches!(value.clock, Some(ClockSource::Crystal { .. })) && !value.rc);
        crystal && matches!(fitted, ClockSource::Crystal { to_hz, .. } if to_hz > SMALL_SWING)
    }

    /// The field of the crystal's swing, where this configuration drives such a crystal with less than it needs.
    pub fn underdriven(&self, fitted: ClockSource, configuration: &[u8]) -> Option<&Field> {
        let field = self.field_for(Role::CrystalSwing)?;
        let small = field.read(configuration)?.value.is_some_and(|value| value.name == "small");
        (small && self.needs_full_swing(fitted, configuration)).then_some(field)
    }

    /// The watchdog's field, where this configuration has it always on.
    pub fn watchdog_always_on(&self, configuration: &[u8]) -> Option<&Field> {
        let field = self.field_for(Role::Watchdog)?;
        field.read(configuration)?.value.filter(|value| value.name == "always-on").map(|_| field)
    }

    /// The field that has the chip behave like an older part, where this configuration does that. Source: 2467, section "ATmega103 and
    /// ATmega128 Compatibility", from memory: the mode leaves out, among others, self-programming and part of the registers.
    pub fn old_part_mode(&self, configuration: &[u8]) -> Option<&Field> {
        let field = self.field_for(Role::OldPartMode)?;
        field.read(configuration)?.value.filter(|value| value.name == "on").map(|_| field)
    }

    /// The supply below which this configuration holds the chip in reset, and the field that says so.
    pub fn brown_out(&self, configuration: &[u8]) -> Option<(&Field, Millivolts)> {
        let level = |field: &Field| field.read(configuration)?.value?.resets_below;
        self.fields.iter().filter_map(|field| Some((field, level(field)?))).max_by_key(|(_, level)| *level)
    }

    /// The boot section that this configuration sets apart; `None` where the chip has none.
    pub fn boot_section(&self, configuration: &[u8]) -> Option<Span> {
        let bits = self.field_for(Role::BootSection).and_then(|field| field.bits_in(configuration));
        self.boot_sections.iter().find(|section| section.bits == bits).map(|section| section.span)
    }

    /// Whether reset starts the boot section with this configuration.
    pub fn starts_loader(&self, configuration: &[u8]) -> bool {
        self.value_for(Role::ResetStart, configuration).is_some_and(|value| value.name == "loader")
    }

    /// The boot section that reset starts with this configuration.
    pub fn started_section(&self, configuration: &[u8]) -> Option<Span> {
        self.boot_section(configuration).filter(|_| self.starts_loader(configuration))
    }

    /// Whether a setting that is known chooses a clock from outside: a signal on the clock pin, or a crystal.
    pub fn takes_a_clock(&self) -> bool {
        let values = self.field_for(Role::Clock).into_iter().flat_map(|field| &field.values);
        values.filter_map(|value| value.clock).any(|clock| !matches!(clock, ClockSource::Internal { .. }))
    }

    /// The fastest programming clock for a chip that runs at `system_clock`, in whole hertz: the chip's limit is not
    /// reached, because below 12 MHz each half of a period must last longer than two of its clocks. At least 1 Hz.
    pub fn programming_clock_limit(&self, system_clock: Hertz) -> Hertz {
        let divisor = self.programming_clock.iter().rev().find(|(from, _)| *from <= system_clock).map_or(4, |(_, divisor)| *divisor);
        Hertz((system_clock.0.saturating_sub(1) / divisor.max(1)).max(1))
    }

    /// How it reads its code.
    pub fn core(&self) -> Core {
        Core { flash_bytes: self.flash.bytes, jmp: self.jmp }
    }

    /// Configuration bytes with the bits as they must be: unused ones, and those that may have one value only.
    pub fn with_fixed_bits(&self, configuration: &[u8]) -> Vec<u8> {
        let mut bytes: Vec<u8> = configuration.iter().zip(&self.configuration).map(|(byte, of)| byte | !of.used).collect();
        for field in self.fields.iter().filter(|field| !field.incomplete) {
            if let [only] = field.values.as_slice() {
                field.set(&mut bytes, only.bits);
            }
        }
        bytes
    }

    /// The whole flash.
    pub fn flash_span(&self) -> Span {
        Span::first(self.flash.bytes)
    }
}

impl Board {
    /// The supply that the chip has: what is measured, or else the level of its signals; where that says nothing of it, the most that the
    /// board bears.
    pub fn chip_supply(&self, measured: Option<Millivolts>) -> Millivolts {
        let by_its_file = if self.level_follows_supply || self.levels_shifted { self.supply.1 } else { self.levels };
        measured.unwrap_or(by_its_file)
    }

    /// The name of the built-in loader that the board file has in its reservation.
    pub fn built_in_loader(&self) -> Option<&str> {
        self.reservation.as_ref()?.loader.as_deref()
    }

    /// The flash outside the reservation, which the application has to itself.
    pub fn application(&self, chip: &Chip) -> Span {
        let whole = chip.flash_span();
        let Some(reserved) = self.reservation.as_ref().map(|reservation| reservation.span) else { return whole };
        let rest = match reserved.start() == whole.start() {
            true => Span::new(reserved.end(), whole.end()),
            false => Span::new(whole.start(), reserved.start()),
        };
        rest.unwrap_or(whole)
    }

    /// The name of the value that the board file says this field should have, where it says so.
    pub fn expected_value(&self, field: &Field) -> Option<&str> {
        self.expected_configuration.iter().find(|(name, _)| *name == field.name).map(|(_, value)| value.as_str())
    }

    /// `configuration` with every field that the board file expects set as it expects.
    pub fn expected_configuration(&self, chip: &Chip, configuration: &[u8]) -> Vec<u8> {
        let mut bytes = configuration.to_vec();
        for (field, value) in &self.expected_configuration {
            set(chip.field(field), value, &mut bytes);
        }
        bytes
    }

    /// `lock` with every field that the board file expects set as it expects.
    pub fn expected_lock(&self, chip: &Chip, lock: u8) -> u8 {
        let mut bytes = [lock];
        for (field, value) in &self.expected_lock {
            set(chip.lock_field(field), value, &mut bytes);
        }
        bytes[0]
    }
}

/// Board files are checked against their chip when read, so a field or value that is not there cannot come up.
fn set(field: Option<&Field>, value: &str, bytes: &mut [u8]) {
    if let Some((field, value)) = field.and_then(|field| Some((field, field.value(value)?))) {
        field.set(bytes, value.bits);
    }
}
