//! The loader that is built in, made ready for a board.

use super::catalog::built_in_text;
use super::chip::Chip;
use super::layout::{Board, Reservation};
use super::line_speed::LineSpeed;
use super::loader_parameters::{BLOCK, LoaderHold, LoaderParameters};
use crate::image::{self, ByteAddress, Image, Span};
use crate::reader::one_of;
use crate::units::{Bytes, Hertz};
use std::fmt;

/// The one loader there is, built for many parts.
pub const SERIAL_LOADER: &str = "serial";

/// Timer1 counts the clock divided by this.
const TICK: u64 = 1024;

/// The loader asks about so often for a first block, in milliseconds, and a board file gives it at least that long to wait for one.
const QUESTION_MS: u32 = 500;
const LEAST_DELAY_MS: u32 = 50;

/// The smallest and the largest number that a board file may give a USART.
pub(super) const USARTS: std::ops::RangeInclusive<u32> = 0..=3;

/// A loader as it should stand in the flash of a board.
#[derive(Clone, Debug, PartialEq)]
pub struct BuiltLoader {
    /// The code at the first byte of the reservation, and the parameters in its last bytes.
    pub image: Image,
    /// Where the parameters are.
    pub block: Span,
    pub usart: u8,
    pub speed: LineSpeed,
}

/// Why a board has no loader of ours.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LoaderError {
    #[error("there is no built-in loader \"{0}\"; there is: {SERIAL_LOADER}")]
    Unknown(String),
    #[error("the {0} has no boot section: reset always starts it at 0x00000, where the application begins")]
    NoBootSection(String),
    #[error("board {0} reserves no flash for a loader; give its board file a [reservation]")]
    NoReservation(String),
    #[error("the loader is not built for the {0}; its own pages, boards/loaders, say for which parts it is and why not for others")]
    NotBuilt(String),
    #[error("the {part} has no USART {number}; it has {}", one_of(known.iter().map(String::as_str)))]
    NoUsart { part: String, number: u8, known: Vec<String> },
    #[error("the loader needs its line speed: give [reservation] a `baud`, or the board a [console]")]
    NoBaud,
    #[error("the loader for the {part} needs {}; the reservation has {}", Bytes((*needed).into()), Bytes((*found).into()))]
    NoRoom { part: String, needed: u32, found: u32 },
    #[error("the reservation must reach to the end of the flash, where the loader looks for its parameters; it ends at {0}")]
    NotAtTheEnd(ByteAddress),
    #[error("`start_delay_ms` must be at least {LEAST_DELAY_MS}: the loader has to ask before it starts the application; found {0}")]
    NoDelay(u32),
    #[error("`hold_pin` must be a pin of port {}, such as \"{example}\"; found \"{found}\"", one_of(known.iter().map(String::as_str)))]
    NoPin { found: String, known: Vec<String>, example: String },
    #[error(
        "[expected_configuration] must have `{field} = \"off\"`: the loader is made for the {part} itself and not for the older part \
         that it can behave like"
    )]
    OldPartMode { part: String, field: String },
    #[error("the built-in loader for the {0} is damaged: build farrier again")]
    Damaged(String),
}

/// Whether a built-in loader has this name.
pub fn is_loader(name: &str) -> bool {
    name == SERIAL_LOADER
}

/// How much flash the loader takes on a part; `None` where it is not built for that.
pub fn loader_bytes(part: &str) -> Option<u32> {
    let code = BuiltFor::part(part).ok()?.code().ok()?;
    Some((code.len() + BLOCK) as u32)
}

/// The built-in loader of this name for a board.
///
/// A line speed that its clock cannot give is no error here: the plan refuses it with what it is off by.
///
/// # Errors
/// What the board's chip or file lacks.
pub fn loader(name: &str, board: &Board, chip: &Chip) -> Result<BuiltLoader, LoaderError> {
    if !is_loader(name) {
        return Err(LoaderError::Unknown(name.into()));
    }
    if chip.boot_sections.is_empty() {
        return Err(LoaderError::NoBootSection(chip.part.clone()));
    }
    let built_for = BuiltFor::part(&chip.part)?;
    let reservation = board.reservation.as_ref().ok_or_else(|| LoaderError::NoReservation(board.name.clone()))?;
    let code = built_for.code()?;
    let span = reservation.span;
    if let Some(field) = chip.old_part_mode(&board.expected_configuration(chip, &chip.factory_configuration())) {
        return Err(LoaderError::OldPartMode { part: chip.part.clone(), field: field.name.clone() });
    }
    if span.end() != chip.flash_span().end() {
        return Err(LoaderError::NotAtTheEnd(span.end()));
    }
    let needed = (code.len() + BLOCK) as u32;
    let block = span.end().0.checked_sub(BLOCK as u32).and_then(|at| Span::sized(ByteAddress(at), BLOCK as u32));
    let block = block.filter(|_| needed <= span.len());
    let block = block.ok_or_else(|| LoaderError::NoRoom { part: chip.part.clone(), needed, found: span.len() })?;
    let (usart, speed) = (built_for.usart(reservation.line.usart)?, line_speed(board, reservation)?);
    let parameters = parameters(board, reservation, &built_for, usart, speed)?;
    let mut image = Image::of(span.start(), &code);
    image.overwrite(block.start(), &parameters.encode());
    Ok(BuiltLoader { image, block, usart: usart.number, speed })
}

impl fmt::Display for BuiltLoader {
    /// `loader for 20 MHz, UART0, 57600 baud: 0.9 % off`
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let LineSpeed { clock, baud, .. } = self.speed;
        write!(f, "loader for {clock}, UART{}, {baud} baud: {:.1} % off", self.usart, self.speed.percent_off().abs())
    }
}

fn line_speed(board: &Board, reservation: &Reservation) -> Result<LineSpeed, LoaderError> {
    let baud = reservation.line.baud.or(board.console.as_ref().map(|console| console.baud)).ok_or(LoaderError::NoBaud)?;
    Ok(LineSpeed::nearest(board.clock.hz, baud))
}

fn parameters(
    board: &Board,
    reservation: &Reservation,
    built_for: &BuiltFor,
    usart: Usart,
    speed: LineSpeed,
) -> Result<LoaderParameters, LoaderError> {
    let delay = reservation.start_delay_ms;
    if delay < LEAST_DELAY_MS {
        return Err(LoaderError::NoDelay(delay));
    }
    let prompts = (delay.div_ceil(QUESTION_MS)).clamp(1, u8::MAX.into());
    let ticks = |milliseconds: u32| ticks(board.clock.hz, milliseconds);
    Ok(LoaderParameters {
        double_speed: speed.double,
        usart: usart.first,
        divisor_high: usart.divisor_high,
        divisor: speed.divisor,
        room: (reservation.span.start().0 / 128).min(u16::MAX.into()) as u16,
        wait: ticks(delay / prompts),
        second: ticks(1000),
        half: ticks(500),
        quiet: ticks(50),
        prompts: prompts as u8,
        hold: reservation.line.hold.as_ref().map(|hold| built_for.hold(&hold.pin, hold.low)).transpose()?,
        greeting: format!("farrier {:.26}\r\n", board.name),
    })
}

/// At least one, at most what a 16-bit timer counts.
fn ticks(clock: Hertz, milliseconds: u32) -> u16 {
    (u64::from(clock.0) * u64::from(milliseconds) / 1000 / TICK).clamp(1, u16::MAX.into()) as u16
}

/// A line of `boards/loaders/serial/parts.csv`, which build.sh writes from avr-libc's headers.
struct BuiltFor<'a> {
    part: &'a str,
    image: &'static str,
    usarts: &'static str,
    ports: &'static str,
}

#[derive(Clone, Copy)]
struct Usart {
    number: u8,
    /// Data-space addresses.
    first: u16,
    divisor_high: u16,
}

impl<'a> BuiltFor<'a> {
    fn part(part: &'a str) -> Result<BuiltFor<'a>, LoaderError> {
        let list = built_in_text("loaders/serial/parts.csv").unwrap_or_default();
        let found = list.lines().find_map(|line| {
            let (name, rest) = line.split_once(',')?;
            let (image, rest) = rest.split_once(',')?;
            let (usarts, ports) = rest.split_once(',')?;
            name.eq_ignore_ascii_case(part).then_some(BuiltFor { part, image, usarts, ports })
        });
        found.ok_or_else(|| LoaderError::NotBuilt(part.into()))
    }

    /// The code, which runs from everywhere; it is linked at 0.
    fn code(&self) -> Result<Vec<u8>, LoaderError> {
        let damaged = || LoaderError::Damaged(self.part.into());
        let hex = built_in_text(&format!("loaders/serial/{}.hex", self.image)).ok_or_else(damaged)?;
        let file = image::parse(hex.as_bytes().to_vec(), None).map_err(|_| damaged())?;
        let extent = file.flash().extent().filter(|extent| extent.start() == ByteAddress(0)).ok_or_else(damaged)?;
        Ok(file.flash().filled(extent, 0xFF))
    }

    fn all_usarts(&self) -> impl Iterator<Item = Usart> {
        self.usarts.split(' ').filter_map(|usart| {
            let (number, places) = usart.split_once('=')?;
            let (first, high) = places.split_once(':')?;
            Some(Usart { number: number.parse().ok()?, first: address(first)?, divisor_high: address(high)? })
        })
    }

    /// The USART of this number, or the part's first.
    fn usart(&self, wanted: Option<u8>) -> Result<Usart, LoaderError> {
        let found = self.all_usarts().find(|usart| wanted.is_none_or(|number| usart.number == number));
        found.ok_or_else(|| LoaderError::NoUsart {
            part: self.part.into(),
            number: wanted.unwrap_or(0),
            known: self.all_usarts().map(|usart| usart.number.to_string()).collect(),
        })
    }

    fn all_ports(&self) -> impl Iterator<Item = (&'static str, u16)> {
        self.ports.split(' ').filter_map(|port| port.split_once('=')).filter_map(|(letter, at)| Some((letter, address(at)?)))
    }

    /// A pin by its name in the datasheet, such as PD2.
    fn hold(&self, pin: &str, low: bool) -> Result<LoaderHold, LoaderError> {
        let found = self.all_ports().find_map(|(letter, register)| {
            let bit = pin.strip_prefix('P')?.strip_prefix(letter)?;
            let bit = bit.parse().ok().filter(|number| *number < 8 && bit.len() == 1)?;
            Some(LoaderHold { register, bit, low })
        });
        found.ok_or_else(|| {
            let known: Vec<String> = self.all_ports().map(|(letter, _)| letter.to_string()).collect();
            LoaderError::NoPin { found: pin.into(), example: format!("P{}0", known.first().map_or("B", String::as_str)), known }
        })
    }
}

fn address(hex: &str) -> Option<u16> {
    u16::from_str_radix(hex, 16).ok()
}
