//! `farrier sim serve`.

use super::context::Context;
use super::interrupt;
use super::output;
use super::stop::Stop;
use crate::board::generic_board;
use crate::sim::{OpenSim, Served};
use clap::Args;
use serde_json::json;
use std::io;
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};

/// Offer a simulated bridge to other programs, through a serial port without hardware or through TCP.
///
/// It goes on until Ctrl-C. The board lives in real time: a write takes as long as in silicon.
#[derive(Args, Debug)]
#[command(
    after_help = "Example: farrier sim serve bench-1 --pty\nExample: farrier sim serve bench-1 --tcp 127.0.0.1:7000 --once",
    group = clap::ArgGroup::new("where").required(true)
)]
pub struct Serve {
    pub name: String,
    /// Through a pseudo-terminal: a serial port without hardware, whose path is printed.
    #[arg(long, group = "where")]
    pub pty: bool,
    /// Through TCP at this address; port 0 takes one that is free. Whoever reaches it can use the board.
    #[arg(long, group = "where", value_name = "ADDRESS:PORT")]
    pub tcp: Option<String>,
    /// End when the first program that used it has left.
    #[arg(long)]
    pub once: bool,
}

impl Serve {
    /// Serves it.
    ///
    /// # Errors
    /// No such sim, another process has it, or the port cannot be made.
    pub fn run(&self, context: &Context) -> Result<(), Stop> {
        let open = context.sims().open_sim(&self.name)?;
        let stop = interrupt::flag()?;
        match &self.tcp {
            Some(address) => self.over_tcp(context, &open, address, stop)?,
            None => self.over_pty(context, &open, stop)?,
        }
        open.sync()?;
        if !context.global.json {
            output::say(format!("The sim {} is no longer served; what its silicon holds is saved.", self.name));
        }
        Ok(())
    }

    #[cfg(unix)]
    fn over_pty(&self, context: &Context, open: &OpenSim, stop: &AtomicBool) -> Result<(), Stop> {
        let failed = |why: io::Error| Stop::usage(format!("the pseudo-terminal cannot be used: {why}"));
        let mut pty = crate::sim::Pty::open().map_err(failed)?;
        self.told(context, &pty.path().display().to_string(), open);
        let mut served = open.sim().serve();
        while !stop.load(Ordering::Relaxed) {
            if !pty.is_open() {
                served.rest();
                continue;
            }
            let reader = pty.reader().map_err(failed)?;
            // An error here is the program's at the other end, which has left.
            let _ = served.talk(reader, &mut pty.writer(), stop);
            if self.is_over(&mut served) {
                break;
            }
        }
        Ok(())
    }

    #[cfg(not(unix))]
    fn over_pty(&self, _: &Context, _: &OpenSim, _: &AtomicBool) -> Result<(), Stop> {
        Err(Stop::usage("this system has no pseudo-terminals").hint("Use --tcp 127.0.0.1:7000 instead."))
    }

    fn over_tcp(&self, context: &Context, open: &OpenSim, address: &str, stop: &AtomicBool) -> Result<(), Stop> {
        let failed = |why: io::Error| Stop::usage(format!("{address} cannot be served at: {why}"));
        let listener = TcpListener::bind(address).map_err(failed)?;
        listener.set_nonblocking(true).map_err(failed)?;
        self.told(context, &format!("tcp://{}", listener.local_addr().map_err(failed)?), open);
        let mut served = open.sim().serve();
        while !stop.load(Ordering::Relaxed) {
            match listener.accept() {
                Ok((stream, _)) => {
                    // An error here is the program's at the other end, which has left.
                    let _ = talk_to(&mut served, stream, stop);
                    if self.is_over(&mut served) {
                        break;
                    }
                }
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => served.rest(),
                Err(error) => return Err(failed(error)),
            }
        }
        Ok(())
    }

    /// A program has left: whether another one may come.
    fn is_over(&self, served: &mut Served) -> bool {
        if self.once {
            served.let_go();
        }
        self.once
    }

    fn told(&self, context: &Context, via: &str, open: &OpenSim) {
        // Behind a port it cannot say which board it is; one that nobody else has described is told by its chip.
        let known = context.catalog.board(open.board()).is_ok_and(|known| known == open.described());
        let board = if known { open.board().to_owned() } else { generic_board(&open.described().1.part) };
        if context.global.json {
            return output::json(&json!({ "sim": self.name, "board": board, "via": via }));
        }
        output::say(format!("The simulated bridge and board {} ({board}) are served at {via}, until Ctrl-C.", self.name));
        output::next(format!("farrier inspect --via {via} --board {board}"));
    }
}

fn talk_to(served: &mut Served, stream: TcpStream, stop: &AtomicBool) -> io::Result<()> {
    stream.set_nonblocking(false)?;
    stream.set_nodelay(true)?;
    let reader = stream.try_clone()?;
    let mut writer = &stream;
    let talked = served.talk(reader, &mut writer, stop);
    // Wakes the reading thread, so that it ends.
    let _ = stream.shutdown(std::net::Shutdown::Both);
    talked
}
