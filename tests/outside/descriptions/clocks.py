"""What the codes of CKSEL and SUT mean, in our words, from what the descriptions call them."""
import re

import facts
from words import UNKNOWN

INTERNAL = '{{ source = "internal", hz = {:_} }}'
OUTSIDE = '{{ source = "crystal", from_hz = {:_}, to_hz = {:_} }}'
EXTERNAL = '{ source = "external" }'


def hertz(mhz):
    return round(float(mhz) * 1_000_000)


def shown(hz):
    """`4800000` as (`4-8-mhz`, `4.8 MHz`)."""
    if hz < 1_000_000:
        return f"{hz // 1000}-khz", f"{hz // 1000} kHz"
    mhz = f"{hz / 1_000_000:g}"
    return f"{mhz.replace('.', 'v')}-mhz", f"{mhz} MHz"


def own(hz, words="the chip's own {} oscillator"):
    name, text = shown(hz)
    return f"internal-{name}", words.format(text), INTERNAL.format(hz)


def crystal(kind, low, high, kind_words, oscillator):
    name = f"{kind}-{in_name(low)}-to-{in_name(high)}-mhz" if low >= 1_000_000 else f"{kind}-{low // 1000}-khz-to-{in_name(high)}-mhz" if high >= 1_000_000 else f"{kind}-{low // 1000}-to-{high // 1000}-khz"
    return name, f"{kind_words} of {low / 1e6:g} to {high / 1e6:g} MHz{oscillator}", OUTSIDE.format(low, high)


def in_name(hz):
    return f"{hz / 1_000_000:g}".replace(".", "v")


# Names of ranges of crystals for parts whose description says no numbers: from memory, 2486 and its kin, section "Crystal Oscillator".
# With CKOPT programmed each of them bears up to 16 MHz.
OLD_RANGES = {"Low": (400_000, "slow"), "Medium": (900_000, "medium"), "High": (3_000_000, "fast")}


def meaning(part, code, captions, fastest, has_full_swing):
    """Name, words and clock of one code of CKSEL."""
    caption = captions[0]
    head = caption.split(";")[0].strip()
    odd = code & 1
    quick, who = ("", "crystal") if odd else ("-quick", "resonator")
    tail = "" if odd else ", quick start"
    def with_start(found):
        name, words, clock = found
        return name + quick, words + tail, clock
    if re.match(r"Ext\. (Clock|CK)", head):
        pin = "the clock pin" if part.startswith("attiny") else "pin XTAL1"
        return "external", f"a clock signal on {pin}", EXTERNAL
    if head.startswith("PLL"):
        if "XOSC" in caption or "Ext. Crystal" in caption:
            return "pll-from-crystal", "the PLL, from a crystal of 8 MHz", OUTSIDE.format(8_000_000, 8_000_000)
        if "Ext. C" in caption:
            return "pll-from-signal", "the PLL, from a clock signal on the clock pin", EXTERNAL
        return "internal-pll-16-mhz", "the chip's own PLL, with 16 MHz", INTERNAL.format(16_000_000)
    if "6.4 MHz" in head:
        return "internal-1v6-mhz", "the chip's own oscillator of 6.4 MHz, divided to 1.6 MHz", INTERNAL.format(1_600_000)
    if "ULP" in head:
        return own(32_000)
    if found := re.match(r"(?:Int\. RC Osc\.|WD\. Osc\.|Int\. 128kHz RC Osc\.|RC|WD) ?([\d.]+)? ?(MHz|kHz|KHz)?", head):
        if "128" in head:
            return own(128_000)
        return own(hertz(found[1]) if found[1] else 8_000_000)
    if found := re.match(r"Ext\. RC Osc\. +([\d.]+)? ?(?:MHz)? *- +([\d.]+) MHz", head):
        low = hertz(found[1]) if found[1] else 100_000
        name, words, clock = crystal("rc", low, hertz(found[2]), "resistor and capacitor", "")
        return name, words, clock
    if head.startswith("Tranceiver"):
        name, _, clock = "radio-crystal", None, OUTSIDE.format(16_000_000, 16_000_000)
        return f"{name}-{code:04b}", "the radio's crystal of 16 MHz", clock
    if "Low-Freq" in head:
        return low_frequency(code)
    if "Full" in head:
        name, _, clock = "crystal-full-swing", None, OUTSIDE.format(400_000, fastest)
        return with_start((name, f"{who} of 0.4 to {fastest / 1e6:g} MHz, full-swing oscillator", clock))
    if found := re.match(r"Ext\. Crystal/Resonator (\w+) Freq", head):
        low, name = OLD_RANGES[found[1]]
        return with_start((f"crystal-{name}", f"{who} from {low / 1e6:g} MHz on, up to what the crystal swing allows", OUTSIDE.format(low, 16_000_000)))
    if head == "Ext. Crystal Osc.":
        return "crystal-8-mhz", "crystal of 8 MHz", OUTSIDE.format(8_000_000, 8_000_000)
    found = re.search(r"(\.?[\d.]+) ?- ?([\d.]*) *MHz", head)
    low = hertz("0.9" if found[1] == ".9" else found[1])
    high = hertz(found[2]) if found[2] else (16_000_000 if has_full_swing else fastest)
    kind = "resonator" if high < 1_000_000 else "crystal"
    return with_start(crystal(kind, low, high, "resonator" if high < 1_000_000 else who, ", low-power oscillator" if has_full_swing else ""))


def low_frequency(code):
    """Watch crystals: the odd code waits longer; 011x are with the chip's own capacitors where 010x are there as well (from memory)."""
    name = {0b0101: "crystal-32-khz", 0b0100: "crystal-32-khz-quick", 0b1001: "crystal-32-khz"}.get(code, f"crystal-32-khz-{code:04b}")
    words = "watch crystal of 32.768 kHz" + (", quick start" if code == 0b0100 else "")
    return name, words, OUTSIDE.format(32_768, 32_768)


def clock_values(part, captions, sel, fastest):
    """The values of CKSEL, highest code first, and what is to be said about their source."""
    by_code = {}
    for value, caption in sorted(captions):
        by_code.setdefault(value & sel, []).append(caption)
    has_full_swing = any("Full" in caption for _, caption in captions)
    fastest = fastest if fastest >= 8_000_000 else 20_000_000 if re.fullmatch(facts.BEARS_20_MHZ, part) else 16_000_000
    values, names = [], set()
    for code, found in sorted(by_code.items(), reverse=True):
        name, words, clock = meaning(part, code, found, fastest, has_full_swing)
        if name in names:
            name = f"{name}-{code:0{bin(sel).count('1')}b}"
        names.add(name)
        # Nothing that could be driven too weakly.
        rc = {"rc": "true"} if "RC Osc" in found[0] and clock.startswith('{ source = "crystal"') else {}
        values.append({"bits": code, "name": name, "words": words, "clock": clock} | rc)
    return values, ", and ends of ranges that [A] leaves open: from memory, its datasheet, section \"Clock Sources\""


COUNTS = re.compile(r"(\d+) ?(K?) ?CK ?/? ?(?:14 ?CK)? ?\+ ?([\d.]+) ?ms")


def wait(caption):
    """`16K CK/14 CK + 65 ms` as `16384 clocks and 65 ms`; few clocks are left out."""
    found = COUNTS.search(caption)
    if not found:
        return None
    clocks = int(found[1]) * (1024 if found[2] else 1)
    clocks = {1000: 1024, 16000: 16384, 32000: 32768}.get(clocks, clocks)
    parts = ([f"{clocks} clocks"] if clocks > 100 else []) + ([f"{found[3]} ms"] if float(found[3]) else [])
    return " and ".join(parts) or "no wait"


def start_up_values(captions, sel, sut):
    """The values of SUT: what each means for the chip's own oscillators and signals, for crystals, and for a quick start."""
    low = (sut & -sut).bit_length() - 1
    width = bin(sut).count("1")
    meanings = {}
    for value, caption in sorted(captions):
        code, text = value & sel, wait(caption)
        outside = "Crystal" in caption or "Full" in caption or "Res." in caption or "XOSC" in caption
        if text is None or "Low-Freq" in caption or "PLL" in caption.split(";")[0]:
            continue
        kind = "own oscillator or signal" if not outside else "crystal" if code & 1 else "quick start"
        meanings.setdefault((value & sut) >> low, {}).setdefault(kind, text)
    kinds = ("own oscillator or signal", "crystal", "quick start")
    values = []
    for bits in reversed(range(1 << width)):
        said = meanings.get(bits, {})
        parts = [f"{kind}: {said[kind]}" for kind in kinds if kind in said]
        if parts and kinds[0] not in said:
            parts.append("else reserved")
        value = {"words": "; ".join(parts)} if parts else {"words": "depends on the clock; see the datasheet"} | UNKNOWN
        values.append({"bits": bits, "name": f"sut-{bits:0{width}b}"} | value)
    return values
