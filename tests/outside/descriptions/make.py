#!/usr/bin/env python3
"""Writes boards/chips/*.toml, boards/chip-ids.txt and boards/refused-chips.toml from the vendor's chip descriptions and from facts.py.

    cargo fetch        in this folder, once
    make.py            writes them
    make.py --check    says what writing them would change, and fails where that is anything

Words for fields and their values are ours; which values there are, and what they select, comes from the descriptions.
"""
import re
import sys
import xml.etree.ElementTree as ET

import facts
from clocks import clock_values, start_up_values
from sources import HERE, OWN, descriptions
from words import BROWN_OUT_OFF, FIELDS, ORDER, UNKNOWN

BOARDS = HERE.parents[2] / "boards"
BYTES = ["low", "high", "extended"]


def number(text):
    return int(text, 0)


def grouped(value):
    """`4500` as `4_500`."""
    return f"{value:_}"


class Description:
    """What one of the vendor's files says."""

    def __init__(self, crate, inside, path):
        self.source = f"{inside} in the crate {crate}" if crate else str(inside)
        root = ET.parse(path).getroot()
        device = root.find(".//device")
        self.name = device.get("name")
        self.interfaces = {found.get("type") for found in device.iter("interface")}
        self.segments = {s.get("name"): s for s in device.iter("memory-segment")}
        self.groups = {g.get("name"): [(number(v.get("value")), v.get("caption") or "") for v in g] for g in root.iter("value-group")}
        signature = {p.get("name"): number(p.get("value")) for p in device.iter("property") if p.get("name", "").startswith("SIGNATURE")}
        self.id = [signature.get(f"SIGNATURE{at}") for at in range(3)]
        self.fuses, self.lock = self.registers(root, "FUSE"), self.registers(root, "LOCKBIT")
        variants = list(root.iter("variant"))
        self.supply = min(float(v.get("vccmin")) for v in variants), max(float(v.get("vccmax")) for v in variants)
        self.fastest = max(int(v.get("speedmax") or 0) for v in variants)
        self.jtag = next((s.get("pad")[1] for s in device.iter("signal") if s.get("group") == "TCK"), None)

    @staticmethod
    def registers(root, name):
        for group in root.iter("register-group"):
            if group.get("name") == name and group.find("register") is not None:
                return sorted(group.findall("register"), key=lambda register: number(register.get("offset") or "0"))
        return []

    def memory(self, kind):
        """Size and page of the flash or the EEPROM."""
        for name, segment in self.segments.items():
            if segment.get("type") == kind and not name.startswith("BOOT_SECTION"):
                return number(segment.get("size")), number(segment.get("pagesize") or "0")
        return 0, 0

    def boot_sections(self):
        """`(bits, start, size)`, the smallest first: it has the bits 11."""
        found = [(number(s.get("start")), number(s.get("size"))) for n, s in self.segments.items() if n.startswith("BOOT_SECTION")]
        found.sort(key=lambda section: section[1])
        return [(3 - at, start, size) for at, (start, size) in enumerate(found)]


def toml_values(values, width):
    lines = ["values = ["]
    for value in values:
        keys = [f'bits = 0b{value["bits"]:0{width}b}' if width > 1 else f'bits = {value["bits"]}', f'name = "{value["name"]}"', f'words = "{value["words"]}"']
        keys += [f"{key} = {value[key]}" for key in ("clock", "resets_below_mv", "shuts", "forbids", "locks_eeprom", "unknown", "rc") if key in value]
        comment = f' # {value["comment"]}' if "comment" in value else ""
        lines.append(f'  {{ {", ".join(keys)} }},{comment}')
    return lines + ["]"]


def field(kind, name, symbol, words, role, byte, mask, values, note="[A]", incomplete=False):
    """One [[fields]] or [[lock_fields]]. `incomplete`: there are codes that no source says anything of."""
    low = (mask & -mask).bit_length() - 1
    high = mask.bit_length() - 1
    lines = [f"[[{kind}]]", f'name = "{name}"', f'symbol = "{symbol}"', f'words = "{words}"']
    lines += [f'role = "{role}"'] if role else []
    lines += [f'byte = "{byte}"'] if byte else []
    lines += [f"bits = [{high}, {low}]" + (f" # {note}" if note else "")]
    lines += ["incomplete = true # the other codes stand in no source at hand"] if incomplete else []
    return "\n".join(lines + toml_values(values, high - low + 1)) + "\n"


def brown_out(captions, has_switch, switch_low):
    """Values of BODLEVEL; together with BODEN where there is one, as the level alone decides nothing then."""
    levels = []
    for bits, caption in captions:
        volts = re.search(r"VCC=(\d)\.(\d)", caption)
        levels.append((bits, int(volts[1]) * 1000 + int(volts[2]) * 100 if volts else None))
    levels.sort(reverse=True)
    def on(bits, level):
        volts = f"{level // 1000}v{level % 1000 // 100}"
        return {"bits": bits, "name": f"below-{volts}", "words": f"reset below about {level / 1000:.1f} V", "resets_below_mv": grouped(level)}
    if not has_switch:
        return [BROWN_OUT_OFF | {"bits": bits} if level is None else on(bits, level) for bits, level in levels]
    values = []
    for bits, level in levels:
        volts = f"{level // 1000}v{level % 1000 // 100}"
        off, active = (bits << 1 | 1, bits << 1) if switch_low else (bits | 2, bits)
        values.append(BROWN_OUT_OFF | {"bits": off} | ({} if bits else {"name": f"off-{volts}"}))
        values.append(on(active, level))
    return sorted(values, key=lambda value: -value["bits"])


def merged_brown_out(masks):
    """BODEN and BODLEVEL where they stand side by side: `(mask, whether BODEN is the lower, symbol)`."""
    level, switch = masks["BODLEVEL"], masks["BODEN"]
    assert level | switch in (3, 0xC0) and switch < level, f"BODEN {switch:#x} and BODLEVEL {level:#x} are not side by side"
    return level | switch, True, "BODLEVEL+BODEN"


SPLIT = {0x3F: (0x0F, 0x30), 0x0F: (0x03, 0x0C), 0x1F: (0x0F, 0x10), 0x33: (0x03, 0x30), 0xBF: (0x0F, 0x30)}


def clock_fields(part, bitfield, description, byte):
    """CKSEL and SUT, which the descriptions give as one field."""
    mask = number(bitfield.get("mask"))
    sel, sut = SPLIT[mask]
    if re.fullmatch(facts.TWO_BIT_CLOCK, part):
        sel = 0x03
    captions = description.groups[bitfield.get("values")]
    if mask == 0xBF:  # PLLCK, a field of its own
        captions = [(value & 0x3F, caption) for value, caption in captions if value & 0x80]
    values, notes = clock_values(part, captions, sel, description.fastest)
    width, waits = bin(sel).count("1"), bin(sut).count("1")
    comment = "# What each code selects: [A] " + bitfield.get("name") + ". What a code is called here" + notes + ".\n"
    yield comment + field("fields", "clock", f"CKSEL{width - 1}..0", "what runs the chip", "clock", byte, sel, values, None)
    words = "wait before the chip starts; what a code means depends on the clock"
    symbol = f"SUT{waits - 1}..0" if waits > 1 else "SUT"
    yield field("fields", "start-up", symbol, words, "start-up", byte, sut, start_up_values(captions, sel, sut), None)
    if mask == 0xBF:
        name, words, role, on_off = FIELDS["PLLCK"]
        yield field("fields", name, "PLLCK", words, role, byte, 0x80, on_off)


def fields(part, description):
    """Every field of the fuse bytes, in the order in which people read them."""
    found = []
    for register, byte in zip(description.fuses, BYTES):
        masks = {b.get("name"): number(b.get("mask")) for b in register.findall("bitfield")}
        for bitfield in register.findall("bitfield"):
            name, mask = bitfield.get("name"), number(bitfield.get("mask"))
            captions = description.groups.get(bitfield.get("values"), [])
            width = bin(mask).count("1")
            if name == "SUT_CKSEL" and mask == 0x30:  # the descriptions of ATA6285 and its kin name it so, and give waits alone
                found.append(("CKSEL", start_up(captions, byte, mask)))
            elif name in ("SUT_CKSEL", "CKSEL_SUT", "PLLCK_SUT_CKSEL"):
                found += [("CKSEL", text) for text in clock_fields(part, bitfield, description, byte)]
            elif name in CLOCK_FIELDS:
                found.append(("CKSEL", coded_clock(part, name, byte, mask)))
            elif name == "SUT":
                found.append(("CKSEL", start_up(captions, byte, mask)))
            elif name == "BODEN" and "BODLEVEL" in masks:
                merged, low, symbol = merged_brown_out(masks)
                values = brown_out(description.groups[level_values(register)], True, low)
                found.append(("BODLEVEL", field("fields", "brown-out", symbol, "holds the chip in reset while the supply is too low", None, byte, merged, values)))
            elif name == "BODLEVEL":
                if "BODEN" not in masks:
                    found.append((name, field("fields", "brown-out", f"BODLEVEL{width - 1}..0", "holds the chip in reset while the supply is too low", None, byte, mask, brown_out(captions, False, False))))
            elif name == "BOOTSZ":
                values = [{"bits": bits, "name": f"{size}-bytes", "words": f"{size} bytes from 0x{start:05X}"} for bits, start, size in description.boot_sections()]
                found.append((name, field("fields", "boot-section", "BOOTSZ1..0", "how much flash the boot section takes", "boot-section", byte, mask, values)))
            elif name == "Reserved" and number(register.get("initval")) & mask:
                continue
            else:
                found.append((name, plain_field(name, mask, byte, bitfield.get("caption") or "", description)))
    return [text for _, text in sorted(found, key=lambda entry: ORDER.index(entry[0]))]


# Fields that choose what runs the chip, of which the descriptions give no values.
CLOCK_FIELDS = ("CKSEL", "OSCSEL", "OSCSEL0", "EXTCLKEN", "FRCFS")


def coded_clock(part, name, byte, mask):
    """A clock field whose values are from memory."""
    known, remembered, codes = facts.first(facts.CLOCK_CODES, part)
    assert known == name, f"{part} has {name}, and facts.py knows {known}"
    values = [{"bits": bits} | codes[bits] for bits in sorted(codes, reverse=True)]
    incomplete = len(codes) < 1 << bin(mask).count("1")
    return field("fields", "clock", symbol(name, mask), "what runs the chip", "clock", byte, mask, values, "[A]; from memory: " + remembered, incomplete)


def symbol(name, mask):
    name = name.lstrip("_")  # the descriptions' names have to begin with a letter
    width = bin(mask).count("1")
    return name if width == 1 else f"{name}{width - 1}..0"


def start_up(captions, byte, mask):
    """A field of waits that go with any clock; those that no description gives stand in the datasheet alone."""
    width = bin(mask).count("1")
    waits = {bits: caption_time(caption) for bits, caption in captions}
    unknown = {"words": "stands in no description; see the datasheet"} | UNKNOWN
    values = [{"bits": bits, "name": f"sut-{bits:0{width}b}"} | ({"words": waits[bits]} if bits in waits else unknown)
              for bits in reversed(range(1 << width))]
    return field("fields", "start-up", symbol("SUT", mask), "wait before the chip starts", "start-up", byte, mask, values)


def level_values(register):
    return next(b.get("values") for b in register.findall("bitfield") if b.get("name") == "BODLEVEL")


def caption_time(caption):
    return f"{re.search(r'([0-9.]+) ms', caption)[1]} ms"


def plain_field(name, mask, byte, caption, description):
    """A field whose words are the same on every part, but for the pins that it is about."""
    own, words, role, values = FIELDS[name]
    pin = re.search(r"PORT([A-Z])(\d)", caption)
    about = {"pin": f"pin P{pin[1]}{pin[2]}" if pin else "a pin", "port": f"four pins of port {description.jtag}" if description.jtag else "four pins"}
    filled = [value | {"words": value["words"].format(**about)} for value in values]
    return field("fields", own, symbol(name, mask), words.format(**about), role, byte, mask, filled)


LOCKS = {
    "LB": ("programming-lock", "LB2..1", "what the programming header may still do; only a chip erase takes this back", "programming-lock", [
        {"bits": 3, "name": "open", "words": "the programming header may do everything"},
        {"bits": 2, "name": "no-writing", "words": "flash, EEPROM and configuration can be read, not written", "forbids": '["writing"]', "comment": "mode 2: [A] [D DS40002011A, table 32-2]"},
        {"bits": 0, "name": "no-reading", "words": "flash and EEPROM can be neither read nor written", "forbids": '["reading", "writing"]', "comment": "mode 3: the same"},
    ]),
    "BLB1": ("boot-lock", "BLB12..11", "what code may do with the boot section; only a chip erase takes this back", "boot-lock", [
        {"bits": 3, "name": "free", "words": "code may write and read the boot section"},
        {"bits": 2, "name": "no-writing", "words": "no code can write the boot section (SPM)", "comment": "[A] mode 2"},
        {"bits": 0, "name": "no-writing-no-reading", "words": "no code can write the boot section, nor the application read it (SPM, LPM)", "comment": "[A] mode 3"},
        {"bits": 1, "name": "no-reading", "words": "the application cannot read the boot section (LPM)", "comment": "[A] mode 4"},
    ]),
    "BLB0": ("application-lock", "BLB02..01", "what code may do with the application section; only a chip erase takes this back", None, [
        {"bits": 3, "name": "free", "words": "code may write and read the application"},
        {"bits": 2, "name": "no-writing", "words": "no code can write the application (SPM), so a loader brings in no firmware", "comment": "[A] mode 2"},
        {"bits": 0, "name": "no-writing-no-reading", "words": "no code can write the application, nor the loader read it (SPM, LPM)", "comment": "[A] mode 3"},
        {"bits": 1, "name": "no-reading", "words": "the loader cannot read the application (LPM)", "comment": "[A] mode 4"},
    ]),
}


def chip_file(name, description, kin_values):
    """The text of one chip file."""
    part = name.lower()
    flash, eeprom = description.memory("flash"), description.memory("eeprom")
    ident = [int(kin_values["id"][at:at + 2], 16) for at in (0, 2, 4)] if kin_values else description.id
    own = "[A]" if not kin_values else "the header of avr-libc"
    lines = [f"# {name}. Made by tests/outside/descriptions/make.py: change that, or facts.py beside it, and not this file.", "#"]
    if kin_values:
        lines += [f"# The vendor's descriptions lack this part. What is marked [A] is {description.name}'s; its likeness in that is from memory.", "#"]
    kind_of_source = "a description of our own, which says what of it is from memory," if description.source.startswith(OWN) \
        else "checked by script: the vendor's machine-readable chip description,"
    lines += ["# Sources, and what was done with them:",
              "#   [D n]  checked: read in the text of the vendor's document number n",
              f"#   [A]    {kind_of_source}",
              f"#          {description.source}",
              "#   from memory: not looked up; the place to look stands beside it",
              "# All bits here are as they are written: programmed is 0, unprogrammed is 1.", "",
              f'part = "{name}"', 'family = "avr"',
              "id = [" + ", ".join(f"0x{byte:02X}" for byte in ident) + f"] # signature bytes: {own}",
              f"jmp = {'true' if flash[0] > 8192 or re.fullmatch(facts.SMALL_WITH_JMP, part) else 'false'} # whether it has JMP and CALL: avr-gcc"]
    lines += [f"fastest_hz = {grouped(description.fastest)} # [A], of all speed grades" if description.fastest
              else f"fastest_hz = {grouped(facts.FASTEST)} # from memory: no part of its kind is specified for more"]
    lines += from_memory(part, description, kin_values) + [""]
    for kind, (size, page) in (("flash", flash), ("eeprom", eeprom)):
        lines += [f"[memories.{kind}]", f"size = {grouped(size)} # [A]", f"page = {page} # [A]",
                  "blank_value = 0xFF # [D ATmega328PB datasheet, 32.8.3] chip erase of a near relative", ""]
    lines += supply(part, description) + timings(part) + programming_clock()
    lines += ["# The order of the bytes is the order in which they are counted: low, high, extended."]
    for register, byte in zip(description.fuses, BYTES):
        value, note = facts.FACTORY.get((part, byte), (number(register.get("initval")), "[A]"))
        lines += ["[[configuration]]", f'name = "{byte}"', f"factory = 0x{value:02X} # {note}", ""]
    lines += own_clock(part)
    text = "\n".join(lines) + "\n" + "\n".join(fields(part, description))
    return text + "\n" + locks(description) + boot(description) + way_in(part)


def from_memory(part, description, kin_values):
    """What screens say is from memory."""
    ours = bool(kin_values) or description.source.startswith(OWN)
    patterns = [pattern for pattern, *_ in facts.CLOCK_CODES] + list(facts.OWN_CLOCK)
    found = {"clock": bool(kin_values) or any(re.fullmatch(pattern, part) for pattern in patterns),
             "fastest": ours or not description.fastest, "supply": ours or part in facts.SUPPLY, "boot-sections": ours and bool(boot(description))}
    names = ", ".join(f'"{name}"' for name, is_so in found.items() if is_so)
    return [f"from_memory = [{names}] # said where a screen rests on it; what exactly, stands beside each below"] if names else []


def supply(part, description):
    least, most = (round(volts * 1000) for volts in description.supply)
    least, most, note = facts.SUPPLY.get(part, (least, most, "[A], of all ordering codes"))
    return ["# What a board with this chip may run on at most.", "[supply]", f"least_mv = {least} # {note}", f"most_mv = {most} # the same", ""]


def timings(part):
    names = ("flash_write_max_us", "eeprom_write_max_us", "erase_max_us", "configuration_write_max_us")
    rows = [f"{name} = {grouped(value)} # {note}" for name, (value, note) in zip(names, facts.first(facts.TIMINGS, part))]
    return ["# The longest that a write may take; what the chip itself times.", "[timings]", *rows, ""]


def own_clock(part):
    for pattern, (hz, note) in facts.OWN_CLOCK.items():
        if re.fullmatch(pattern, part):
            return ["# What runs the chip after reset: no fuse chooses it.", "[own_clock]", f"hz = {grouped(hz)} # {note}", ""]
    return []


def programming_clock():
    return ["# Both halves of a programming clock period must last longer than 2 clocks of the chip below 12 MHz, and 3 clocks from 12 MHz on.",
            "# [D 8271, 2549]", "[[programming_clock]]", "system_clock_from_hz = 0", "divisor = 4", "",
            "[[programming_clock]]", "system_clock_from_hz = 12_000_000", "divisor = 6", ""]


def locks(description):
    masks = {b.get("name"): number(b.get("mask")) for register in description.lock for b in register.findall("bitfield")}
    initial = description.lock[0].get("initval")
    factory = number(initial) if initial else 0xFF
    text = f"[lock]\nfactory = 0x{factory:02X} # {'[A]' if initial else 'from memory: a part is shipped unlocked'}\n\n"
    known = [(LOCKS[name], masks[name]) for name in LOCKS if name in masks]
    return text + "\n".join(field("lock_fields", *lock[:4], None, mask, lock[4], "[A] [D DS40002011A, table 32-1]") for lock, mask in known) + "\n"


def boot(description):
    sections = description.boot_sections()
    if not sections:
        return ""
    chosen, started = (any(b.get("name") == name for register in description.fuses for b in register.findall("bitfield")) for name in ("BOOTSZ", "BOOTRST"))
    if not started:  # no fuse lets reset start it, so it is flash like any other
        return ""
    if not chosen:
        _, start, size = sections[0]
        return f"# The only one, which no fuse chooses: [A]\n[[boot_sections]]\nstart = 0x{start:05X}\nsize = {size}\n\n"
    rows = [f"[[boot_sections]]\nbits = 0b{bits:02b}\nstart = 0x{start:05X}\nsize = {size}\n" for bits, start, size in sections]
    return "# Sizes and places by BOOTSZ1..0: [A]\n" + "\n".join(rows) + "\n"


def way_in(part):
    miso, mosi, sck, source = facts.first(facts.PINS, part)
    lines = ["# Abilities of serial programming.", "[[ways_in]]", 'way = "spi"', 'reads = ["flash", "eeprom", "configuration", "lock"]',
             'flash_erase = "chip" # there is no page erase in serial mode: from memory, serial programming instruction set',
             "eeprom_writes_erase = true # [D 2549, 8271]"]
    if re.fullmatch(facts.NO_READY_BIT, part):
        lines.append('ready = "data-polling" # no RDY/BSY: [D 40001974, 2490, 2512] for theirs, else from memory')
    if re.fullmatch(facts.NO_EEPROM_PAGES, part):
        lines.append('eeprom_writes = "bytes" # no page instructions for the EEPROM: from memory, its instruction table')
    lines += ["# The EEPROM unless EESAVE is programmed; the configuration stays. [D ATmega328PB datasheet, 32.8.3]",
              'chip_erase_takes = ["eeprom", "lock"]', "", "# Which chip pin stands behind each signal of a programming header.", "[ways_in.pins]"]
    lines += [f'{signal} = "{pin}" # {source}' for signal, pin in (("MISO", miso), ("MOSI", mosi), ("SCK", sck))]
    return "\n".join(lines + ['RESET = "RESET"', 'VCC = "VCC"', 'GND = "GND"']) + "\n"


def chips():
    """`{file stem: (name, text, id)}` of every part with a serial interface and page flash that is not refused."""
    refused = {part.lower() for part, *_ in facts.REFUSED}
    described = {part: Description(*found[0]) for part, found in descriptions().items() if not part.startswith(("atxmega", "avr"))}
    wanted = [(found.name, found, None) for part, found in described.items()
              if "isp" in found.interfaces and found.memory("flash")[1] and part not in refused]
    own = [Description(None, path.relative_to(HERE.parents[2]), path) for path in sorted((HERE.parents[2] / OWN).glob("*.xml"))]
    wanted += [(found.name, found, None) for found in own]
    wanted += [(name, described[kin], values) for name, (kin, values) in facts.KIN.items()]
    made = {}
    for name, found, values in wanted:
        made[name.lower()] = (name, chip_file(name, found, values), values["id"] if values else "".join(f"{byte:02X}" for byte in found.id))
    return made


def outputs():
    """Every file with its text."""
    made = chips()
    files = {BOARDS / "chips" / f"{stem}.toml": text for stem, (_, text, _) in made.items()}
    ids = sorted((ident, name) for name, _, ident in made.values())
    files[BOARDS / "chip-ids.txt"] = "".join(f"{ident} {name}\n" for ident, name in ids)
    head = "# Parts that are known and that no chip file is made for. Made by tests/outside/descriptions/make.py from facts.py.\n"
    rows = [f'[[chips]]\npart = "{part}"\n' + (f"id = [{', '.join('0x' + i[at:at + 2] for at in (0, 2, 4))}]\n" if i else "") + f'reason = "{why}"\n'
            for part, i, why in facts.REFUSED]
    files[BOARDS / "refused-chips.toml"] = head + "\n" + "\n".join(rows)
    return files


def main():
    files = outputs()
    folder = BOARDS / "chips"
    stale = [path for path in folder.glob("*.toml") if path not in files]
    changed = [path for path, text in files.items() if not path.exists() or path.read_text() != text]
    if sys.argv[1:] == ["--check"]:
        for path in changed + stale:
            print(f"{path.relative_to(BOARDS.parent)} is not what make.py writes")
        print(f"{len(files) - 2} chip files")
        sys.exit(1 if changed or stale else 0)
    for path in changed:
        path.write_text(files[path])
    print(f"{len(files) - 2} chip files, {len(changed)} files changed")
    for path in stale:
        print(f"{path} is made no more: delete it")


if __name__ == "__main__":
    main()
