"""What code that is not ours makes of each file given, one JSON object a line.

A .hex file is read with the library intelhex: spans, and CRC-32 over their bytes in address order. Of any other file: CRC-32.
"""
import json
import pathlib
import sys
import zlib

from intelhex import IntelHex

for name in sys.argv[1:]:
    if not name.endswith(".hex"):
        print(json.dumps({"crc32": zlib.crc32(pathlib.Path(name).read_bytes())}))
        continue
    image = IntelHex(name)
    crc = 0
    for start, end in image.segments():
        crc = zlib.crc32(image.tobinarray(start=start, size=end - start).tobytes(), crc)
    print(json.dumps({"spans": image.segments(), "crc32": crc}))
