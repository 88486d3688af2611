//! The program at a pseudo-terminal behind which something else answers than a simulated bridge.

use super::{Home, Ran};
use farrier::sim::Pty;
use std::io::{Read, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::channel;
use std::thread;
use std::time::Duration;

/// Runs the program, which names the port PORT, or LINK: a link to it that has the same name each time. Until it has ended, `turn` is
/// handed what came from it, again and again, and gives what goes back; how long a turn takes is its own affair.
pub fn run_at_a_port(home: &Home, line: &str, mut turn: impl FnMut(&[u8]) -> Vec<u8>) -> Ran {
    let mut pty = Pty::open().expect("a pseudo-terminal");
    let link = home.path().join("port");
    if line.contains("LINK") {
        let _ = std::fs::remove_file(&link);
        std::os::unix::fs::symlink(pty.path(), &link).expect("a link");
    }
    let line = line.replace("PORT", &pty.path().display().to_string()).replace("LINK", &link.display().to_string());
    let (mut port, (to_turn, from_program), done) = (pty.reader().expect("its reader"), channel::<Vec<u8>>(), AtomicBool::new(false));
    thread::scope(|scope| {
        scope.spawn(|| {
            let mut bytes = [0; 4096];
            while !done.load(Ordering::Relaxed) {
                match port.read(&mut bytes).expect("the port") {
                    0 => thread::sleep(Duration::from_millis(1)),
                    count => to_turn.send(bytes[..count].to_vec()).expect("a turn"),
                }
            }
        });
        let program = scope.spawn(|| {
            let ran = home.run(&line);
            done.store(true, Ordering::Relaxed);
            ran
        });
        while !done.load(Ordering::Relaxed) {
            let back = turn(&from_program.try_iter().flatten().collect::<Vec<u8>>());
            pty.writer().write_all(&back).expect("the port");
        }
        program.join().expect("it is run")
    })
}
