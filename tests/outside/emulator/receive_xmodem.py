"""Receives by XMODEM at a pseudo-terminal, with the PyPI package xmodem, into a file: receive_xmodem.py FILE

Says the terminal's path, and at the end how many bytes came, or `failed`.
"""

import os
import select
import sys
import tty

from xmodem import XMODEM

near, far = os.openpty()
tty.setraw(near)
tty.setraw(far)
print(os.ttyname(far), flush=True)


def get(size, timeout=1):
    taken = b""
    while len(taken) < size and select.select([near], [], [], timeout)[0]:
        taken += os.read(near, size - len(taken))
    return taken or None


def put(data, timeout=1):
    return os.write(near, data)


with open(sys.argv[1], "wb") as file:
    count = XMODEM(get, put).recv(file, crc_mode=1, retry=20, timeout=2, quiet=True)
print("failed" if count is None else count, flush=True)
# The terminal stays open until the other side has heard the last answer.
sys.stdin.read()
