"""A serial-port server after RFC 2217, made of pyserial's own: serves the port argv[1] to one program.

Prints its TCP port; when the program has left, prints how that left the serial port set, as JSON.
"""
import json
import socket
import sys
import threading

import serial
import serial.rfc2217


class Port(serial.Serial):
    """A pseudo-terminal has none of these lines, and takes 8 data bits, no parity and 1 stop bit only: what is asked for is noted."""

    def _reconfigure_port(self, force_update=False):
        asked = self._bytesize, self._parity, self._stopbits
        self._bytesize, self._parity, self._stopbits = 8, serial.PARITY_NONE, 1
        try:
            super()._reconfigure_port(force_update)
        finally:
            self._bytesize, self._parity, self._stopbits = asked

    cts = dsr = ri = cd = property(lambda self: False)
    asked = {}

    def _update_dtr_state(self):
        self.asked["dtr"] = self._dtr_state

    def _update_rts_state(self):
        self.asked["rts"] = self._rts_state


class Connection:
    def __init__(self, sock):
        self.sock, self.lock = sock, threading.Lock()

    def write(self, data):
        with self.lock:
            self.sock.sendall(data)


# Set to what a bridge is not: the client must put it right.
port = Port(sys.argv[1], 9600, bytesize=7, parity=serial.PARITY_EVEN, stopbits=2, timeout=0.02)
listener = socket.create_server(("127.0.0.1", 0))
print(listener.getsockname()[1], flush=True)
sock, _ = listener.accept()
sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
connection = Connection(sock)
manager = serial.rfc2217.PortManager(port, connection)
over = threading.Event()


def from_port():
    while not over.is_set():
        data = port.read(port.in_waiting or 1)
        if data:
            connection.write(b"".join(manager.escape(data)))


reader = threading.Thread(target=from_port, daemon=True)
reader.start()
while True:
    try:
        data = sock.recv(4096)
    except OSError:
        break
    if not data:
        break
    port.write(b"".join(manager.filter(data)))
over.set()
settings = {name: getattr(port, name) for name in ("baudrate", "bytesize", "parity", "stopbits", "rtscts", "xonxoff")}
print(json.dumps(settings | port.asked), flush=True)
