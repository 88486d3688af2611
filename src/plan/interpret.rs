//! What steps do to a chip, as its datasheet has it: flash writes only clear bits, an erase takes what it takes, a locked
//! chip ignores writes. Knows nothing of how plans are made, so that it can find their mistakes.

use super::{Desired, Observed, StepKind, fields};
use crate::board::{Chip, Field, Role, WayIn};
use crate::image::{ByteAddress, Image, Memory, Span};

/// What a chip holds, as far as it can be told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct State {
    /// A byte that is `None` may be anything.
    pub flash: Vec<Option<u8>>,
    pub eeprom: Vec<Option<u8>>,
    pub configuration: Vec<Bits>,
    /// The configuration as it was at the last entry: what locks EEPROM is in force from there on.
    pub in_force: Vec<Bits>,
    pub lock: Bits,
    /// In programming mode: steps other than an entry do nothing without it.
    pub entered: bool,
    /// The clock was changed, and no entry has shown yet that the chip runs on the new one.
    pub clock_unproven: bool,
}

/// A byte of which some bits may be anything.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Bits {
    pub value: u8,
    /// The bits of `value` that can be told.
    pub known: u8,
}

impl Bits {
    /// A byte that is known.
    pub fn known(value: u8) -> Bits {
        Bits { value, known: 0xFF }
    }

    /// Whether the bits of `mask` can be told and are those of `value`.
    pub fn are(self, value: u8, mask: u8) -> bool {
        self.known & mask == mask && (self.value ^ value) & mask == 0
    }
}

/// Applies the steps of a plan for `desired`.
#[derive(Clone, Copy, Debug)]
pub struct Interpreter<'a> {
    pub chip: &'a Chip,
    pub way_in: &'a WayIn,
    pub desired: &'a Desired,
}

impl Interpreter<'_> {
    /// The state that was observed; what was not read may be anything.
    pub fn begin(&self, observed: &Observed) -> State {
        let cells = |image: &Image, bytes: u32| {
            let mut cells = vec![None; bytes as usize];
            for (at, run) in image.within(Span::first(bytes)) {
                cells.iter_mut().skip(at.0 as usize).zip(run).for_each(|(cell, byte)| *cell = Some(*byte));
            }
            cells
        };
        let read = observed.configuration.as_deref().unwrap_or_default();
        let byte = |byte: Option<&u8>| byte.map_or(Bits { value: 0xFF, known: 0 }, |byte| Bits::known(*byte));
        let configuration: Vec<Bits> = (0..self.chip.configuration.len()).map(|n| byte(read.get(n))).collect();
        State {
            flash: cells(&observed.flash.bytes, self.chip.flash.bytes),
            eeprom: cells(&observed.eeprom.bytes, self.chip.eeprom.bytes),
            in_force: configuration.clone(),
            configuration,
            lock: byte(observed.lock.as_ref()),
            entered: false,
            clock_unproven: false,
        }
    }

    /// The state after a step.
    pub fn apply(&self, state: &mut State, step: &StepKind) {
        match step {
            StepKind::Enter { slowest_first } => {
                state.entered = !self.shut(state) && (*slowest_first || !state.clock_unproven);
                state.clock_unproven &= !state.entered;
                state.in_force.clone_from(&state.configuration);
            }
            StepKind::Release => state.entered = false,
            _ if !state.entered => {}
            StepKind::Erase => self.erase(state),
            StepKind::WriteFlash { pages, .. } => self.write_pages(state, Memory::Flash, pages),
            StepKind::WriteEeprom { pages, .. } => self.write_pages(state, Memory::Eeprom, pages),
            StepKind::WriteConfiguration { byte, value } => self.write_configuration(state, *byte, *value),
            StepKind::WriteLock { value } => self.write_lock(state, *value),
            StepKind::Verify { .. } => {}
        }
    }

    /// The state after the power went while the step was being carried out: what it changes may be anything that such a
    /// step can leave.
    pub fn after_cut(&self, state: &State, step: &StepKind) -> State {
        let mut done = state.clone();
        self.apply(&mut done, step);
        let touched = |memory: Memory, pages: &[ByteAddress]| {
            let mut touched = Vec::new();
            for at in pages {
                touched.extend(self.page_bytes(memory, *at).into_iter().map(|(at, _)| at));
            }
            touched
        };
        match step {
            _ if !state.entered => {}
            StepKind::WriteFlash { pages, .. } => forget(&mut done.flash, &touched(Memory::Flash, pages)),
            StepKind::WriteEeprom { pages, .. } => forget(&mut done.eeprom, &touched(Memory::Eeprom, pages)),
            StepKind::Erase => {
                done.flash.fill(None);
                if self.erase_takes_eeprom(state) != Some(false) {
                    done.eeprom.fill(None);
                }
                // The lock bits go to 1 after all else is erased (328PB datasheet 32.8.3), and never to 0.
                done.lock = Bits { value: state.lock.value, known: state.lock.known & state.lock.value };
            }
            StepKind::WriteConfiguration { byte, .. } => {
                let before = state.configuration.get(*byte).copied();
                if let (Some(before), Some(after)) = (before, done.configuration.get_mut(*byte)) {
                    // A bit that is 1 before and after is not programmed in between. Bits that shut the interface are not
                    // accessible through it (SPIEN: 2543, 2586, 8272, 42716) or stay 1.
                    let steady = before.value & after.value & before.known & after.known;
                    *after = Bits { value: after.value, known: (steady | self.shutting_bits(*byte)) & before.known };
                }
            }
            StepKind::WriteLock { .. } => {
                let same = !(state.lock.value ^ done.lock.value);
                done.lock.known = state.lock.known & done.lock.known & same;
            }
            StepKind::Enter { .. } | StepKind::Verify { .. } | StepKind::Release => {}
        }
        done.entered = false;
        done
    }

    /// Whether a verify step would pass; true for every other step.
    pub fn passes(&self, state: &State, step: &StepKind) -> bool {
        let StepKind::Verify { spans, configuration, lock } = step else { return true };
        let readable = spans.is_empty() || state.lock.known == 0xFF && !self.chip.forbids(state.lock.value).reading;
        let same = spans.iter().all(|(memory, span)| match memory {
            Memory::Flash => holds(&state.flash, &self.desired.flash.crop(*span)),
            Memory::Eeprom => holds(&state.eeprom, &self.desired.eeprom.crop(*span)),
            Memory::Configuration | Memory::Lock => true,
        });
        state.entered
            && readable
            && same
            && (!configuration || self.configuration_holds(state))
            && (!lock || state.lock.are(self.desired.lock, self.chip.lock.used))
    }

    /// Whether the state is the desired one, and the chip can still be reached.
    pub fn reached(&self, state: &State) -> bool {
        holds(&state.flash, &self.desired.flash)
            && holds(&state.eeprom, &self.desired.eeprom)
            && self.configuration_holds(state)
            && state.lock.are(self.desired.lock, self.chip.lock.used)
            && !self.shut(state)
            && !state.clock_unproven
    }

    /// Whether the configuration shuts the way in, as far as it can be told.
    pub fn shut(&self, state: &State) -> bool {
        let bytes: Vec<u8> = state.configuration.iter().map(|bits| bits.value).collect();
        let shuts = |field: &Field| fields::value(field, &bytes).is_some_and(|value| value.shuts.contains(&self.way_in.way));
        self.chip.fields.iter().any(shuts)
    }

    fn configuration_holds(&self, state: &State) -> bool {
        let wanted = self.desired.configuration.iter().zip(&self.chip.configuration);
        state.configuration.iter().zip(wanted).all(|(bits, (value, of))| bits.are(*value, of.used))
    }

    /// Whether writes take effect; `None` where the lock bits do not tell.
    fn writable(&self, state: &State) -> Option<bool> {
        (state.lock.known & self.chip.lock.used == self.chip.lock.used).then(|| !self.chip.forbids(state.lock.value).writing)
    }

    /// Whether an erase takes the EEPROM; `None` where the configuration does not tell.
    fn erase_takes_eeprom(&self, state: &State) -> Option<bool> {
        if !self.way_in.chip_erase_takes.contains(&Memory::Eeprom) {
            return Some(false);
        }
        let Some(field) = self.chip.field_for(Role::KeepEeprom) else { return Some(true) };
        let bits = state.configuration.get(field.byte)?;
        let bytes: Vec<u8> = state.configuration.iter().map(|bits| bits.value).collect();
        (bits.known & field.mask == field.mask).then(|| !fields::keeps_eeprom(self.chip, &bytes))
    }

    /// Whether the configuration in force locks this byte of the EEPROM; `None` where it does not tell.
    fn locks(&self, state: &State, at: usize) -> Option<bool> {
        let bytes: Vec<u8> = state.in_force.iter().map(|bits| bits.value).collect();
        let here = |span: Span| span.contains(ByteAddress(at as u32));
        let can = |field: &&Field| field.values.iter().any(|value| value.locks_eeprom.is_some_and(here));
        let Some(field) = self.chip.fields.iter().find(can) else { return Some(false) };
        let known = state.in_force.get(field.byte)?.known & field.mask == field.mask;
        known.then(|| fields::value(field, &bytes).and_then(|value| value.locks_eeprom).is_some_and(here))
    }

    /// Nothing tells whether an erase takes EEPROM that is locked.
    fn erase(&self, state: &mut State) {
        let blank = Some(self.chip.eeprom.blank);
        match self.erase_takes_eeprom(state) {
            Some(true) => {
                let left = |at: usize| if self.locks(state, at) == Some(false) || state.eeprom[at] == blank { blank } else { None };
                state.eeprom = (0..state.eeprom.len()).map(left).collect();
            }
            Some(false) => {}
            None => state.eeprom.fill(None),
        }
        state.flash.fill(Some(self.chip.flash.blank));
        if self.way_in.chip_erase_takes.contains(&Memory::Lock) {
            state.lock = Bits::known(0xFF);
        }
    }

    /// The bytes that a page write sends; none for addresses that the desired state does not speak of.
    fn page_bytes(&self, memory: Memory, at: ByteAddress) -> Vec<(usize, u8)> {
        let page = if memory == Memory::Eeprom { self.chip.eeprom.page } else { self.chip.flash.page };
        let (Some(span), Some(image)) = (Span::sized(at, page), self.desired.memory(memory)) else { return Vec::new() };
        image.within(span).flat_map(|(at, run)| run.iter().enumerate().map(move |(n, byte)| (at.0 as usize + n, *byte))).collect()
    }

    fn write_pages(&self, state: &mut State, memory: Memory, pages: &[ByteAddress]) {
        let writable = self.writable(state);
        let only_clears = memory == Memory::Flash || !self.way_in.eeprom_writes_erase;
        for (at, byte) in pages.iter().flat_map(|at| self.page_bytes(memory, *at)) {
            let locked = if memory == Memory::Eeprom { self.locks(state, at) } else { Some(false) };
            let writable = if writable == Some(true) { locked.map(|locked| !locked) } else { writable };
            let cells = if memory == Memory::Eeprom { &mut state.eeprom } else { &mut state.flash };
            let Some(cell) = cells.get_mut(at) else { continue };
            *cell = match writable {
                Some(false) => *cell,
                Some(true) if only_clears => cell.map(|old| old & byte),
                Some(true) => Some(byte),
                None => None,
            };
        }
    }

    fn write_configuration(&self, state: &mut State, byte: usize, value: u8) {
        let clock = fields::mask_of(self.chip, byte, &Role::OF_CLOCK);
        let writable = self.writable(state);
        let Some(bits) = state.configuration.get_mut(byte) else { return };
        match writable {
            Some(false) => {}
            Some(true) => {
                state.clock_unproven |= !bits.are(value, clock);
                *bits = Bits::known(value);
            }
            None => bits.known &= !(bits.value ^ value),
        }
    }

    /// Lock bits only go to 0; a chip that cannot be read takes no more of them.
    fn write_lock(&self, state: &mut State, value: u8) {
        if !self.chip.forbids(state.lock.value).reading {
            state.lock.value &= value;
        }
    }

    fn shutting_bits(&self, byte: usize) -> u8 {
        let shuts = |field: &&Field| field.values.iter().any(|value| !value.shuts.is_empty());
        self.chip.fields.iter().filter(|field| field.byte == byte).filter(shuts).fold(0, |mask, field| mask | field.mask)
    }
}

fn forget(cells: &mut [Option<u8>], touched: &[usize]) {
    for at in touched {
        if let Some(cell) = cells.get_mut(*at) {
            *cell = None;
        }
    }
}

/// Whether every byte of the image is in the cells.
fn holds(cells: &[Option<u8>], image: &Image) -> bool {
    let same = |(at, run): (ByteAddress, &[u8])| {
        cells
            .get(at.0 as usize..at.0 as usize + run.len())
            .is_some_and(|here| here.iter().zip(run).all(|(cell, byte)| *cell == Some(*byte)))
    };
    image.runs().all(same)
}
