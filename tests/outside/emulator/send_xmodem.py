"""Sends a file by XMODEM, with the sender of the PyPI package `xmodem`. The other end of the line is whoever started this:

    get SIZE SECONDS   asks for received bytes; the answer is a line of hexadecimal digits, empty when none came
    put HEX            hands over bytes to send; the answer is an empty line
    complete, given up the outcome
"""

import logging
import sys
from xmodem import XMODEM


def ask(request):
    print(request, flush=True)
    return bytes.fromhex(sys.stdin.readline())


def getc(size, timeout=1):
    return ask(f"get {size} {timeout}") or None


def putc(data, timeout=1):
    ask(f"put {bytes(data).hex()}")
    return len(data)


logging.disable()
with open(sys.argv[1], "rb") as image:
    complete = XMODEM(getc, putc).send(image, timeout=5, quiet=True)
print("complete" if complete else "given up", flush=True)
