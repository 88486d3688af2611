//! `farrier verify`.

use super::context::Context;
use super::images;
use super::interrupt;
use super::output;
use super::progress::Progress;
use super::stop::{Code, Stop};
use crate::image::{ByteAddress, Image};
use crate::job::{Bench, Difference, Proof};
use crate::plan::NamedImage;
use clap::Args;
use serde_json::json;
use std::process::ExitCode;

/// Compare an image with what the flash holds. Nothing is changed.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier verify vent.hex --via sim:vent")]
pub struct Verify {
    /// Intel HEX, ELF, or raw binary with --at.
    pub image: String,
    /// Where a raw binary image goes.
    #[arg(long, value_name = "ADDRESS", value_parser = images::address)]
    pub at: Option<ByteAddress>,
}

impl Verify {
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        let wanted = images::flash_only(&self.image, self.at)?;
        let mut connected = context.connect()?;
        let (differences, proof) = compare(&mut connected, &wanted)?;
        let (via, simulated) = (connected.via.clone(), connected.simulated());
        connected.close()?;
        let same = differences.is_empty();
        if context.global.json {
            let rows: Vec<_> = differences.iter().map(as_json).collect();
            output::json(&json!({
                "image": self.image, "same": same, "bytes": wanted.image.len(), "checksummed": proof.checksummed, "read": proof.read,
                "differences": rows, "simulated": simulated,
            }));
        } else {
            tell(&self.image, &wanted.image, &differences, &proof, simulated);
            let next = if same { format!("farrier inspect --via {via}") } else { format!("farrier write {} --via {via}", self.image) };
            output::next(next);
        }
        Ok(if same { ExitCode::SUCCESS } else { ExitCode::from(Code::Differs as u8) })
    }
}

fn compare(connected: &mut super::connect::Connected, wanted: &NamedImage) -> Result<(Vec<Difference>, Proof), Stop> {
    let mut progress = Progress::new();
    let mut listener = |event: &_| progress.show(event);
    let (board, chip) = (&connected.board, &connected.chip);
    let mut bench = Bench::new(connected.bus.as_mut(), board, chip, &mut listener, interrupt::flag()?);
    let result = bench.verify_image(wanted)?;
    drop(bench);
    progress.clear();
    Ok(result)
}

fn tell(name: &str, wanted: &Image, differences: &[Difference], proof: &Proof, simulated: bool) {
    if simulated {
        output::say("SIMULATED: this is a simulated board.");
    }
    let size = output::bytes(wanted.len() as u64);
    match differences {
        [] => output::say(format!("The flash holds {name}, all {size} of it.")),
        _ => {
            let bytes: u32 = differences.iter().map(|difference| difference.count).sum();
            let pages = if differences.len() == 1 { "page" } else { "pages" };
            output::say(format!("The flash differs from {name} in {bytes} of {size}, in {} {pages}:", differences.len()));
            for difference in differences.iter().take(8) {
                output::line(format!("  {difference}"));
            }
            if differences.len() > 8 {
                output::line(format!("  and {} more pages", differences.len() - 8));
            }
        }
    }
    output::say_under("Proved       ", proof.to_string());
    output::say_under("Not checked  ", "flash that the image says nothing about; EEPROM; configuration");
}

fn as_json(difference: &Difference) -> serde_json::Value {
    let Difference { memory, span, count, first, wanted, found, .. } = difference;
    json!({
        "memory": memory.name(), "page": {"start": span.start(), "end": span.end()}, "bytes": count, "first": first, "wanted": wanted,
        "found": found,
    })
}
