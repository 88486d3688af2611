//! `farrier configure`.

use super::board_view;
use super::change::{self, Change};
use super::context::Context;
use super::stop::Stop;
use crate::plan::Intent;
use clap::Args;
use std::process::ExitCode;

/// Change fields of the chip's configuration.
///
/// Fields and values have plain names; `farrier boards show NAME` lists them. The clock is changed in a step of its own and
/// proven by a second entry.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier configure brown-out=below-2v7 --via sim:vent")]
pub struct Configure {
    /// What to set, such as `reset-start=loader`.
    #[arg(required = true, value_name = "FIELD=VALUE", value_parser = setting)]
    pub settings: Vec<(String, String)>,
}

fn setting(text: &str) -> Result<(String, String), String> {
    let (field, value) = text.split_once('=').ok_or("give FIELD=VALUE, such as reset-start=loader")?;
    Ok((field.to_owned(), value.to_owned()))
}

impl Configure {
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        change::run(
            context,
            &Change {
                intent: &|_, _| Ok(Intent { configuration: self.settings.clone(), ..Intent::default() }),
                done: "The configuration is set.",
                already: "The configuration is so already. Nothing was changed.",
                next: &|_, via| vec![board_view::look(via)],
            },
        )
    }
}
