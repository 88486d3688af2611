//! `farrier verify`.

use super::connect::Connected;
use super::context::Context;
use super::map::{self, Mark};
use super::progress::Progress;
use super::stop::{Code, Stop};
use super::typed::quoted;
use super::{board_view, images, interrupt, known, output, typed};
use crate::board::Chip;
use crate::diagnosis::{self, Explanation};
use crate::image::{ByteAddress, Image, Span};
use crate::job::{Bench, Difference, Proof};
use crate::plan::{NamedImage, outside};
use crate::units::Count;
use clap::Args;
use serde_json::json;
use std::process::ExitCode;

/// Compare an image with what the flash holds. Nothing is changed.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier verify vent.hex --via sim:vent")]
pub struct Verify {
    /// Intel HEX, ELF, or raw binary with --at. Without it: the application that farrier.toml in this folder names.
    pub image: Option<String>,
    /// Where a raw binary image goes.
    #[arg(long, value_name = "ADDRESS", value_parser = images::address)]
    pub at: Option<ByteAddress>,
}

impl Verify {
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        let image = context.folder.image(self.image.as_deref())?;
        let wanted = images::flash_only(&image, self.at)?;
        let mut connected = context.connect()?;
        let compared = Compared::of(context, &mut connected, &wanted)?;
        let (via, simulated) = (typed::at(&connected.via), connected.simulated());
        let same = compared.differences.is_empty();
        if context.global.json {
            let rows: Vec<_> = compared.differences.iter().map(as_json).collect();
            output::json(&json!({
                "image": image, "same": same, "bytes": wanted.image.len(), "checksummed": compared.proof.checksummed,
                "read": compared.proof.read, "differences": rows, "explanation": compared.words(&image), "simulated": simulated,
            }));
        } else {
            let at = self.at.map(|at| format!(" --at {at}")).unwrap_or_default();
            board_view::introduce(&connected.board, &connected.chip, connected.board_from);
            output::simulated(simulated);
            compared.tell(&image, &wanted.image, &connected.chip);
            let next =
                if same { format!("farrier inspect --via {via}") } else { format!("farrier write {}{at} --via {via}", quoted(&image)) };
            output::next(next);
        }
        connected.close()?;
        Ok(if same { ExitCode::SUCCESS } else { ExitCode::from(Code::Differs as u8) })
    }
}

/// An image beside the flash.
struct Compared {
    differences: Vec<Difference>,
    proof: Proof,
    /// Why it differs, where it does.
    explanation: Option<Explanation>,
}

impl Compared {
    fn of(context: &Context, connected: &mut Connected, wanted: &NamedImage) -> Result<Compared, Stop> {
        let mut progress = Progress::new();
        let mut listener = |event: &_| progress.show(event);
        let (board, chip) = (&connected.board, &connected.chip);
        let mut bench = Bench::new(connected.bus.as_mut(), board, chip, &mut listener, interrupt::flag()?);
        let (differences, proof) = bench.verify_image(wanted)?;
        let mut explanation = None;
        if !differences.is_empty() {
            let observed = bench.observe()?;
            bench.release()?;
            let known = known::images(context, &chip.part)?;
            explanation = diagnosis::explain(&observed.flash.bytes, &wanted.image, chip.flash, &known);
        }
        drop(bench);
        progress.clear();
        Ok(Compared { differences, proof, explanation })
    }

    fn words(&self, name: &str) -> Option<String> {
        self.explanation.as_ref().map(|explanation| words(explanation, name))
    }

    fn tell(&self, name: &str, wanted: &Image, chip: &Chip) {
        let size = wanted.len() as u64;
        let Compared { differences, proof, .. } = self;
        if differences.is_empty() {
            output::say(format!("The flash holds {name}, all {} of it.", output::bytes(size)));
        } else {
            let bytes: u32 = differences.iter().map(|difference| difference.count).sum();
            output::say(format!("The flash differs from {name} in {bytes} of {size} bytes, in {}:", Count(differences.len(), "page")));
            differences.iter().take(TOLD).for_each(|difference| output::say_under("  ", difference.to_string()));
            if differences.len() > TOLD {
                output::line(format!("  and {} more pages", differences.len() - TOLD));
            }
            output::gap();
            self.draw(wanted, chip);
            output::gap();
            self.words(name).into_iter().for_each(|words| output::say_under("Why          ", words));
        }
        output::say_under("Proved       ", proof.to_string());
        output::say_under("Not checked  ", "flash that the image says nothing about; EEPROM; configuration");
    }

    /// The flash with the pages of the image that are right and those that are not.
    fn draw(&self, wanted: &Image, chip: &Chip) {
        let wrong: Vec<Span> = self.differences.iter().map(|of| of.span).collect();
        let right = wanted.spans().flat_map(|span| outside(span, &wrong)).map(|span| Mark { span, label: "as the image" });
        let wrong = wrong.iter().map(|span| Mark { span: *span, label: "differs" });
        let marks: Vec<Mark> = right.chain(wrong).collect();
        for line in map::draw(chip.flash_span(), &marks, "not compared", output::WIDTH, output::ink()) {
            output::line(line);
        }
    }
}

/// At most so many pages are told one by one.
const TOLD: usize = 8;

/// An explanation as a sentence.
fn words(explanation: &Explanation, name: &str) -> String {
    let pages = |pages: &[Span]| Count(pages.len(), "page");
    let bits = |bits: &u32| Count(*bits as usize, "bit");
    match explanation {
        Explanation::Erased => format!("Nothing is there: where {name} belongs, the flash is erased."),
        Explanation::Moved { by } => {
            let way = if *by > 0 { "up" } else { "down" };
            format!("The flash holds all of {name}, 0x{:X} bytes further {way}.", by.unsigned_abs())
        }
        Explanation::Swapped => format!("The flash holds {name} with the two bytes of every word swapped."),
        Explanation::OtherImage(other) => format!("The flash holds another image, every byte of it: {other}."),
        Explanation::ErasedPages(erased) => format!("{} of {name} are erased, and everything else is right.", pages(erased)),
        Explanation::OnlyOnes { bits: of } => {
            format!("{} that should be 0 read 1, and none the other way round: a write that broke off, or weak cells.", bits(of))
        }
        Explanation::OnlyZeros { bits: of } => {
            format!("{} that should be 1 read 0, and none the other way round: something was written over it without an erase.", bits(of))
        }
        Explanation::Altered(altered) => format!("Most of {name} is there; something else is in {}.", pages(altered)),
        Explanation::Other => "Something else is there, and nothing here tells what.".to_owned(),
    }
}

fn as_json(difference: &Difference) -> serde_json::Value {
    let Difference { memory, span, count, first, wanted, wanted_from, found, .. } = difference;
    json!({
        "memory": memory.name(), "page": {"start": span.start(), "end": span.end()}, "bytes": count, "first": first, "wanted": wanted,
        "wanted_from": wanted_from.as_ref().map(ToString::to_string), "found": found,
    })
}
