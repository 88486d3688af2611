//! RFC 2217 against a server that nobody here wrote: pyserial's, in front of a pseudo-terminal behind which a simulated bridge is.

use super::python;
use crate::cli::Home;
use crate::cli::served::{Serving, fast_frost, in_virtual_time};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Stdio};

struct Server {
    process: Child,
    out: BufReader<ChildStdout>,
    port: u16,
}

impl Server {
    fn before(path: &str) -> Server {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/serial_server.py");
        let mut process = Command::new(python()).arg(script).arg(path).stdout(Stdio::piped()).spawn().expect("Python starts");
        let mut out = BufReader::new(process.stdout.take().expect("a pipe"));
        let mut port = String::new();
        out.read_line(&mut port).expect("its port");
        let port = port.trim().parse().expect("a number");
        Server { process, out, port }
    }

    /// How the program that has left set the serial port.
    fn settings(mut self) -> serde_json::Value {
        let mut told = String::new();
        self.out.read_to_string(&mut told).expect("its output");
        assert!(self.process.wait().expect("it ends").success());
        serde_json::from_str(&told).expect("JSON")
    }
}

#[test]
fn a_loader_is_installed_through_a_serial_port_server() {
    for (speed, baud) in [("", 1_000_000), ("@115200", 115_200)] {
        let home = Home::new();
        fast_frost(&home);
        let mut serving = Serving::start(&home, "bench", "--pty --once");
        let server = Server::before(&serving.via);
        let line = "loader install --via VIA --board frost --yes";
        let via = format!("rfc2217://127.0.0.1:{}{speed}", server.port);
        home.run(&line.replace("VIA", &via)).exits(0).says("Done.").says(&format!("through {via} at {baud} baud"));
        let settings = server.settings();
        let set = |name: &str| settings[name].clone();
        assert_eq!((set("baudrate"), set("bytesize"), set("parity"), set("stopbits")), (baud.into(), 8.into(), "N".into(), 1.into()));
        assert_eq!((set("rtscts"), set("xonxoff"), set("dtr"), set("rts")), (false.into(), false.into(), true.into(), true.into()));
        serving.ends();
        let (held, expected) = (home.export("bench"), in_virtual_time(line));
        assert_eq!((&held.flash, held.violations()), (&expected.flash, 0));
    }
}

/// Something at a TCP port that is no such server, and says these bytes once.
fn stranger(says: &'static [u8]) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("its address");
    std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().expect("a program");
        stream.write_all(says).expect("said");
        let mut heard = Vec::new();
        let _ = stream.read_to_end(&mut heard);
    });
    format!("rfc2217://{address}")
}

#[test]
fn a_server_that_will_not_set_a_port_is_told_plainly() {
    let home = Home::new();
    let refuses = stranger(&[255, 254, 44]);
    let plain = refuses.replace("rfc2217", "tcp");
    home.run(&format!("inspect --board frost --via {refuses}")).exits(2).says("refuses to set a serial port").says(&plain);
    let silent = stranger(b"");
    home.run(&format!("inspect --board frost --via {silent}")).exits(2).says("does not say that it can set a serial port");
}
