//! `farrier sim`: simulated boards.

use super::context::Context;
use super::output;
use super::sim_serve::Serve;
use super::stop::Stop;
use crate::sim::Fault;
use clap::{Args, Subcommand};
use serde_json::json;
use std::path::PathBuf;
use std::process::ExitCode;

/// Make, list, damage, look into and serve simulated boards.
#[derive(Subcommand, Debug)]
pub enum Sim {
    New(New),
    List(List),
    Reset(Name),
    Damage(Damage),
    Repair(Repair),
    Export(Export),
    Serve(Serve),
}

/// Make a simulated board, as its chip is shipped.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier sim new bench-1 --board vent --seed 7")]
pub struct New {
    /// What to call it: small letters, digits and hyphens.
    pub name: String,
    /// Makes all its random choices.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
}

/// List the simulated boards.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier sim list")]
pub struct List {}

/// Make it as shipped again: blank memories, factory configuration, no faults.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier sim reset bench-1")]
pub struct Name {
    pub name: String,
}

/// Give it a fault.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier sim damage bench-1 open-miso\nExample: farrier sim damage bench-1 power-cut=40")]
pub struct Damage {
    pub name: String,
    /// open-miso, shorted-data, swapped-data, held-line=LINE-LEVEL, no-power, wrong-supply=MILLIVOLTS, wrong-level=MILLIVOLTS,
    /// other-chip, lost-clock, locked-chip=MODE, weak-cells=PAGE, power-cut=OPERATIONS, power-cut-instructions=N
    pub fault: Fault,
}

/// Take all its faults away. What the silicon holds stays.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier sim repair bench-1")]
pub struct Repair {
    pub name: String,
}

/// Write what its silicon really holds: flash.bin, eeprom.bin, state.json.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier sim export bench-1 held")]
pub struct Export {
    pub name: String,
    /// The folder to write into; made where it is not there.
    pub dir: PathBuf,
}

impl Sim {
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        let sims = context.sims();
        match self {
            Sim::New(New { name, seed }) => {
                let Some(board) = context.global.board.as_deref() else {
                    return Err(
                        Stop::usage("a sim needs to know which board it is").hint("Give --board NAME; `farrier boards` lists them.")
                    );
                };
                sims.create(&name, board, seed)?;
                told(context, &name, &format!("The simulated board {name} is made: {board}, as shipped, seed {seed}."));
            }
            Sim::List(_) => list(context)?,
            Sim::Reset(Name { name }) => {
                let open = sims.open_sim(&name)?;
                open.reset();
                open.sync()?;
                told(context, &name, &format!("The simulated board {name} is as shipped again."));
            }
            Sim::Damage(Damage { name, fault }) => {
                let open = sims.open_sim(&name)?;
                let text = fault.to_string();
                open.sim().damage(fault);
                open.sync()?;
                told(context, &name, &format!("The simulated board {name} has the fault {text} now."));
            }
            Sim::Repair(Repair { name }) => {
                let open = sims.open_sim(&name)?;
                open.sim().repair();
                open.sync()?;
                told(context, &name, &format!("The simulated board {name} has no faults now. What its silicon holds is as it was."));
            }
            Sim::Serve(serve) => serve.run(context)?,
            Sim::Export(Export { name, dir }) => {
                sims.open_sim(&name)?.export(&dir)?;
                told(context, &name, &format!("What {name} holds is in {}: flash.bin, eeprom.bin, state.json.", dir.display()));
            }
        }
        Ok(ExitCode::SUCCESS)
    }
}

fn told(context: &Context, name: &str, sentence: &str) {
    if context.global.json {
        return output::json(&json!({ "sim": name, "done": sentence }));
    }
    output::say(sentence);
    output::next(format!("farrier inspect --via sim:{name}"));
}

fn list(context: &Context) -> Result<(), Stop> {
    let all = context.sims().list()?;
    if context.global.json {
        output::json(&json!({ "sims": all }));
        return Ok(());
    }
    if all.is_empty() {
        output::say("There are no simulated boards yet.");
        output::next("farrier sim new bench-1 --board vent");
        return Ok(());
    }
    output::line(format!("{:<20} {:<20} {:<14} {:>10} {:>10}  faults", "name", "board", "chip", "operations", "violations"));
    for sim in &all {
        let faults: Vec<String> = sim.faults.iter().map(ToString::to_string).collect();
        let faults = if faults.is_empty() { "none".to_owned() } else { faults.join(", ") };
        output::line(format!(
            "{:<20} {:<20} {:<14} {:>10} {:>10}  {faults}",
            sim.name, sim.board, sim.chip, sim.operations, sim.violations
        ));
    }
    output::next(format!("farrier inspect --via sim:{}", all[0].name));
    Ok(())
}
