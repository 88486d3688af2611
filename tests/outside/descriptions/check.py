#!/usr/bin/env python3
"""Holds boards/chips/*.toml against every description of the vendor that the two crates have. Written apart from make.py, and reads the
descriptions anew. What differs is printed, one line each: PART FACT CRATE VALUE chip-file VALUE. The last line is the count."""
import re
import tomllib
import xml.etree.ElementTree as ET

from sources import HERE, descriptions

# Names of bits in the descriptions that stand for several of the datasheet's.
COMBINED = {"SUT_CKSEL": {"SUT", "CKSEL"}, "CKSEL_SUT": {"SUT", "CKSEL"}, "PLLCK_SUT_CKSEL": {"PLLCK", "SUT", "CKSEL"}, "OSCSEL0": {"OSCSEL"}}


def described(path):
    """The facts of a description, by name."""
    root = ET.parse(path).getroot()
    facts, bits = {}, {}
    for property_ in root.iter("property"):
        if found := re.fullmatch(r"SIGNATURE([012])", property_.get("name") or ""):
            facts[f"id-{found[1]}"] = int(property_.get("value"), 0)
    sections = []
    for segment in root.iter("memory-segment"):
        kind, name = segment.get("type"), segment.get("name")
        size, page = int(segment.get("size"), 0), int(segment.get("pagesize") or "0", 0)
        if name.startswith("BOOT_SECTION"):
            sections.append((int(segment.get("start"), 0), size))
        elif kind in ("flash", "eeprom"):
            facts[f"{kind}-bytes"], facts[f"{kind}-page"] = size, page
    facts["boot-sections"] = sorted(sections)
    for group in root.iter("register-group"):
        kind = group.get("name")
        if kind not in ("FUSE", "LOCKBIT") or group.find("register") is None:
            continue
        for register in group.findall("register"):
            place = int(register.get("offset") or "0", 0) if kind == "FUSE" else "lock"
            if register.get("initval"):
                facts[f"factory-{place}"] = int(register.get("initval"), 0)
            for field in register.findall("bitfield"):
                for name in COMBINED.get(field.get("name"), {field.get("name").lstrip("_")}):
                    bits.setdefault((place, name), 0)
                    bits[place, name] |= int(field.get("mask"), 0)
                facts[f"used-{place}"] = facts.get(f"used-{place}", 0) | int(field.get("mask"), 0)
    facts["fuse-bytes"] = len({place for place, _ in bits} - {"lock"})
    return facts, bits


def held(path):
    """The same of a chip file."""
    with open(path, "rb") as file:
        chip = tomllib.load(file)
    facts, bits = {f"id-{at}": byte for at, byte in enumerate(chip["id"])}, {}
    for kind in ("flash", "eeprom"):
        facts[f"{kind}-bytes"], facts[f"{kind}-page"] = chip["memories"][kind]["size"], chip["memories"][kind]["page"]
    facts["boot-sections"] = sorted((section["start"], section["size"]) for section in chip.get("boot_sections", []))
    names = [byte["name"] for byte in chip["configuration"]]
    facts |= {f"factory-{at}": byte["factory"] for at, byte in enumerate(chip["configuration"])} | {"factory-lock": chip["lock"]["factory"]}
    facts["fuse-bytes"] = len(names)
    placed = [(names.index(field["byte"]), field) for field in chip["fields"]] + [("lock", field) for field in chip["lock_fields"]]
    for place, field in placed:
        high, low = field["bits"]
        mask = (1 << high + 1) - (1 << low)
        facts[f"used-{place}"] = facts.get(f"used-{place}", 0) | mask
        for symbol in field["symbol"].split("+"):
            for name in COMBINED.get(stem(symbol), {stem(symbol)}):
                bits[place, name] = mask
    return facts, bits


def stem(symbol):
    """`BOOTSZ1..0` is BOOTSZ, `BLB12..11` BLB1, `BODACT1..0` BODACT."""
    if not (found := re.fullmatch(r"(.*?)(\d)\.\.\d+", symbol)):
        return symbol
    return found[1]


def shown(value):
    return f"0x{value:02X}" if isinstance(value, int) else str(value).replace(" ", "")


def main():
    compared = parts = values = 0
    known = descriptions()
    for path in sorted((HERE.parents[2] / "boards" / "chips").glob("*.toml")):
        parts += path.stem in known
        ours, our_bits = held(path)
        for crate, _, description in known.get(path.stem, []):
            compared += 1
            theirs, their_bits = described(description)
            for fact in sorted(ours.keys() | theirs.keys(), key=str):
                values += 1
                if fact in theirs and ours.get(fact) != theirs[fact]:
                    print(f"{path.stem} {fact} {crate.replace(' ', '-')} {shown(theirs[fact])} chip-file {shown(ours.get(fact))}")
            for (place, name), mask in sorted(their_bits.items(), key=str):
                values += 1
                mine = our_bits.get((place, name))
                # A name that the descriptions give to several of ours has more bits there.
                if mine is None or mine & ~mask and name not in ("BODEN", "BODLEVEL"):
                    print(f"{path.stem} bits-of-{name}-{place} {crate.replace(' ', '-')} 0x{mask:02X} chip-file {shown(mine) if mine else 'none'}")
    print(f"{compared} descriptions of {parts} chips compared, {values} values")


if __name__ == "__main__":
    main()
