#!/usr/bin/env python3
"""The raw image of the flash as HEX and as UF2, with the CRC that the RP2040's ROM looks for at the end of the first 256 bytes.

Usage: images.py RAW HEX UF2

UF2 as its published description has it: blocks of 512 bytes that carry 256 each. The ROM erases 4096 bytes with every 16th block,
so the file is filled up to whole sectors (see bridge/rp2040/README.md).
"""

import struct
import sys

FLASH = 0x10000000
BOOT_SIZE = 256
SECTOR = 4096
PAYLOAD = 256
FAMILY_RP2040 = 0xE48BFF56
FLAG_FAMILY = 0x00002000


def boot_crc(data):
    """CRC-32/MPEG-2: polynomial 0x04C11DB7, starts with all ones, not reflected, not inverted."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte << 24
        for _ in range(8):
            crc = (crc << 1 ^ (0x04C11DB7 if crc & 0x80000000 else 0)) & 0xFFFFFFFF
    return crc


def with_crc(raw):
    return raw[: BOOT_SIZE - 4] + struct.pack("<I", boot_crc(raw[: BOOT_SIZE - 4])) + raw[BOOT_SIZE:]


def hex_record(kind, address, data):
    body = struct.pack(">BHB", len(data), address, kind) + data
    return ":" + (body + bytes([-sum(body) & 0xFF])).hex().upper() + "\n"


def hex_file(image):
    yield hex_record(4, 0, struct.pack(">H", FLASH >> 16))
    for at in range(0, len(image), 16):
        yield hex_record(0, at, image[at : at + 16])
    yield hex_record(1, 0, b"")


def uf2_file(image):
    image += b"\xFF" * (-len(image) % SECTOR)
    count = len(image) // PAYLOAD
    for number in range(count):
        at = number * PAYLOAD
        head = struct.pack("<8I", 0x0A324655, 0x9E5D5157, FLAG_FAMILY, FLASH + at, PAYLOAD, number, count, FAMILY_RP2040)
        yield head + image[at : at + PAYLOAD].ljust(476, b"\0") + struct.pack("<I", 0x0AB16F30)


def main(raw_path, hex_path, uf2_path):
    with open(raw_path, "rb") as file:
        image = with_crc(file.read())
    if len(image) > 0x10000:
        sys.exit(f"{raw_path}: {len(image)} bytes; the HEX file is written for at most 65536")
    with open(hex_path, "w", newline="\n") as file:
        file.writelines(hex_file(image))
    with open(uf2_path, "wb") as file:
        file.writelines(uf2_file(image))


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit(__doc__)
    main(*sys.argv[1:])
