//! The bridge behind the USB device: the program itself serves a simulated board over TCP, and the device carries the bytes.

use crate::program::{DEVICE_HOME, farrier};
use std::io::{BufRead, BufReader};
use std::net::TcpStream;
use std::process::{Child, Stdio};

/// A simulated bridge that is served.
pub struct Served {
    process: Child,
    stream: TcpStream,
}

impl Served {
    /// Gives the bridge its power.
    pub fn start(sim: &str) -> Served {
        let mut command = farrier(DEVICE_HOME);
        command.args(["sim", "serve", sim, "--tcp", "127.0.0.1:0", "--json"]).stdout(Stdio::piped());
        let mut process = command.spawn().expect("the program starts");
        let mut lines = BufReader::new(process.stdout.take().expect("a pipe")).lines();
        let address = lines.find_map(|line| Some(line.ok()?.split_once("tcp://")?.1.split('"').next()?.to_owned()));
        let stream = TcpStream::connect(address.expect("it says where it serves")).expect("it is served there");
        stream.set_nodelay(true).expect("a socket without delay");
        Served { process, stream }
    }

    /// A handle of the connection.
    pub fn stream(&self) -> TcpStream {
        self.stream.try_clone().expect("another handle")
    }

    /// Takes its power. What its silicon holds stays.
    pub fn kill(&mut self) {
        self.process.kill().expect("it is killed");
        self.process.wait().expect("it has ended");
    }
}
