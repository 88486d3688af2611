"""What the vendor's descriptions do not say, by part, with its source. First pattern that matches the part's name in lower case wins.

Marks as in the chip files: [D n] read in the text of the vendor's document n, [A] by script from the descriptions, else from memory.
"""
import re


def first(table, part):
    """The entry of the first pattern that fits the whole name."""
    for pattern, *entry in table:
        if re.fullmatch(pattern, part):
            return entry
    raise KeyError(part)


KIN_OF_328 = r"atmega(48|88|168|328)(a|p|pa)?"

# The longest that a write may take, in microseconds: flash, EEPROM, erase, configuration; each with its source. Where editions do
# not agree, or none was read, the longer figure stands: a longer wait harms nothing.
TIMINGS = [
    (KIN_OF_328 + r"|ata661[234][cq]", (4_500, "[D 8271] tWD_FLASH"), (3_600, "[D 8271] tWD_EEPROM"), (9_000, "[D 8271] tWD_ERASE"),
     (4_500, "[D 8271] tWD_FUSE")),
    (r"atmega(164a|164pa|324a|324pa|1284p?)", (4_500, "[D 8272E] tWD_FLASH"), (3_600, "[D 8272E] tWD_EEPROM"), (9_000, "[D 8272E] tWD_ERASE"),
     (4_500, "not printed in 8272E; 4.5 ms from memory of its kin, 8271, tWD_FUSE")),
    (r"atmega644(a|pa)", (4_500, "[D 8272E] tWD_FLASH"), (3_600, "[D 8272E] tWD_EEPROM"), (12_000, "[D 42716]: self-timed up to 12 ms, beside a tWD_ERASE of 9.0"),
     (4_500, "from memory of its kin, 8271, tWD_FUSE")),
    (r"atmega(164|324|644)p|atmega644", (4_500, "[D 7674, 2593] tWD_FLASH"), (9_000, "[D 7674, 2593] tWD_EEPROM"), (9_000, "[D 7674, 2593] tWD_ERASE"),
     (4_500, "from memory of its kin, 8271, tWD_FUSE")),
    (r"atmega(640|128[01]|256[01])", (4_500, "[D 2549L, table 30-14]: self-timed 3.7 to 4.5 ms"),
     (9_000, "from memory: early editions of 2549 print 9.0 ms, later ones 3.6 ms; the longer one holds for both"),
     (9_000, "[D 2549L, table 30-14]: 7.5 to 9 ms"), (4_500, "from memory: 2549, tWD_FUSE")),
    (r"atmega(16|32)u[46]", (4_500, "[D 7766J]: self-timed 3.7 to 4.5 ms"), (9_000, "from memory: 7766; 3.6 or 9.0 ms, the longer holds for both"),
     (9_000, "[D 7766J]: 7.5 to 9 ms"), (4_500, "from memory: 7766, tWD_FUSE")),
    (r"atmega(48|88|168|328|324)pb", (4_500, "[D ATmega328PB datasheet]: 2 to 4.5 ms"), (9_000, "from memory: 3.6 or 9.0 ms, the longer holds for both"),
     (12_000, "[D ATmega328PB datasheet]: up to 12 ms"), (4_500, "from memory: tWD_FUSE of its kin")),
    (r"atmega(16|32|64)[mc]1", (4_500, "from memory: [D 8209] prints a tWD_FLASH of 2.6 ms, which other documents call shorter than the write"),
     (3_600, "[D 8209] tWD_EEPROM"), (10_500, "[D 8209] tWD_ERASE"), (4_500, "[D 8209] tWD_FUSE")),
    (r"atmega(64|128|256|644|1284|2564)(rfr2|rfa1)", (4_500, "[D 42073] tWD_FLASH"), (13_000, "[D 42073] tWD_EEPROM"), (18_500, "[D 42073] tWD_ERASE"),
     (4_500, "[D 42073] tWD_FUSE")),
    (r"atmega(64a?|8515)", (4_500, "[D 2490, 2512] tWD_FLASH"), (9_000, "[D 2490, 2512] tWD_EEPROM"), (9_000, "[D 2490, 2512] tWD_ERASE"),
     (4_500, "[D 2490] tWD_FUSE")),
    (r"atmega(8a?|16a?|32a?|128a?|162|8535)", (4_500, "from memory: tWD_FLASH of its datasheet"), (9_000, "from memory: tWD_EEPROM of its datasheet"),
     (9_000, "from memory: tWD_ERASE of its datasheet"), (4_500, "from memory: tWD_FUSE of its datasheet")),
    (r"attiny(13a?|[248]4a?|[248]61a?|26)", (4_500, "[D 8126, 8183, 8197] tWD_FLASH; for its kin from memory"), (9_000, "from memory: [D 8126, 8183, 8197] print 4.0 ms; older parts may take 9"),
     (9_000, "[D 8126, 8183, 8197] tWD_ERASE"), (4_500, "[D 8126, 8183, 8197] tWD_FUSE")),
    (r"attiny([248]5|2313a?|4313)", (4_500, "[D 7598, 2543H] tWD_FLASH"), (4_000, "[D 7598, 2543H] tWD_EEPROM"),
     (9_000, "from memory: [D 7598, 2543H] print 4.0 ms, later editions 9.0; the longer holds for both"), (4_500, "[D 7598, 2543H] tWD_FUSE")),
    (r"atmega(163|323)", (30_000, "from memory: 1142, minimum waits, which depend on the supply; twice the longest there"), (30_000, "the same"),
     (60_000, "the same"), (30_000, "the same")),
    (r"atmega161", (14_000, "[D 1228] tWD_FLASH"), (3_400, "[D 1228] tWD_EEPROM"), (28_000, "[D 1228] tWD_ERASE"), (28_000, "from memory: twice tWD_FLASH")),
    (r".*", (4_500, "from memory: what its kin have at most, 8271"), (9_000, "from memory: what its kin have at most, 2593"),
     (12_000, "from memory: what its kin have at most, 42716"), (4_500, "from memory: what its kin have, 8271")),
]

# Parts whose serial instruction set has no RDY/BSY: they are asked by reading the place that is being written, or waited for.
# [D 40001974] for ATmega8A, [D 2490, 2512] describe data polling for theirs; from memory for the rest. They also have no page
# instructions for the EEPROM, and neither does ATmega162: from memory, their instruction tables.
NO_READY_BIT = r"atmega(8|16|32|64|128)a?|atmega161|atmega163|atmega323|atmega8515|atmega8535|attiny26"
NO_EEPROM_PAGES = NO_READY_BIT + r"|atmega162"

# Parts with 8 KiB of flash or less that have the instructions JMP and CALL, as those with more do: what avr-gcc takes them to have.
SMALL_WITH_JMP = r"at90usb82|atmega8u2|ata5795"

# Chip pins of serial programming: MISO (data out), MOSI (data in), SCK; source.
PINS = [
    (r"atmega(1281|2561)", "PE1", "PE0", "PB1", "[D 2549, table 30-15]: not the pins of the SPI"),
    (r"atmega(64|128)a?", "PE1", "PE0", "PB1", "[A] signals PDO, PDI and SCK: not the pins of the SPI"),
    (r"at90can\d+", "PE1", "PE0", "PB1", "from memory: 7679, serial pin mapping: not the pins of the SPI"),
    (r"atmega(640|1280|2560)", "PB3", "PB2", "PB1", "[D 2549, table 30-15]"),
    (r"atmega(16|32|64)[mc]1|at90pwm(1|2b|3b|216|316)", "PD2", "PD3", "PD4", "from memory: 8209, 4317, pin mapping of serial programming: the pins MISO_A, MOSI_A, SCK_A"),
    (r"atmega1284p|atmega164.*|atmega324.*|atmega644(a|p|pa)?|atmega1284", "PB6", "PB5", "PB7", "from memory: 8272, pin mapping of serial programming"),
    (KIN_OF_328 + r"|atmega(48|88|168|328)pb|ata661[234][cq]", "PB4", "PB3", "PB5", "from memory: 8271, pin mapping of serial programming"),
    (r"atmega8a?", "PB4", "PB3", "PB5", "from memory: 2486, pin mapping of serial programming"),
    (r"atmega(16|32)a?|atmega161|atmega163|atmega323|atmega8535|atmega8515|atmega162", "PB6", "PB5", "PB7", "from memory: pins MISO, MOSI and SCK of its datasheet"),
    (r"atmega(16|32|64)[59].*|atmega\d+(rfr2|rfa1)|atmega\d+u\d|at90usb\d+", "PB3", "PB2", "PB1", "from memory: pins MISO, MOSI and SCK of its datasheet"),
    (r"attiny[48]8", "PB4", "PB3", "PB5", "from memory: 8008, pin mapping of serial programming"),
    (r"attiny(13a?|[248]5)", "PB1", "PB0", "PB2", "from memory: 8126, 2586, pin mapping of serial programming"),
    (r"attiny([248]4a?|[48]41)", "PA5", "PA6", "PA4", "from memory: 8183, pin mapping of serial programming"),
    (r"attiny([248]61a?|26)", "PB1", "PB0", "PB2", "from memory: 8197, pin mapping of serial programming"),
    (r"attiny(2313a?|4313)", "PB6", "PB5", "PB7", "from memory: 2543, pin mapping of serial programming"),
    (r"attiny(87|167)|ata5272|ata5505|ata661[67]c|ata664251", "PA2", "PA4", "PA5", "from memory: 8265, pin mapping of serial programming"),
    (r"attiny1634", "PB2", "PB1", "PC1", "from memory: 8303, pin mapping of serial programming"),
    (r"attiny828", "PD1", "PD0", "PD3", "from memory: 8371, pin mapping of serial programming"),
    (r".*", "MISO", "MOSI", "SCK", "which port pin it is was not looked up; the datasheet's drawing names it so"),
]

# Parts that the vendor does not describe and that are like one it does, but for these values, which stand in avr-libc's header.
KIN = {
    "ATmega165": ("atmega165p", {"id": "1E9405"}),
    "ATmega169": ("atmega169p", {"id": "1E9405"}),
    "ATmega32U6": ("atmega32u4", {"id": "1E9588"}),
    "ATmega64HVE": ("atmega64hve2", {"id": "1E9610"}),
    "ATA6289": ("ata6286", {"id": "1E9382"}),
}

# Parts on which the upper two of four bits of CKSEL are reserved: the three codes of [A] have them as 1, and its factory value as 0.
TWO_BIT_CLOCK = r"attiny[48]8"

# One code of each kind has a name on parts whose codes are from memory, and on some only the one that a chip has as shipped. Nothing is ever
# set to one of the others, and where one stands it takes a consent to change it.
CRYSTAL = {"name": "crystal", "words": "crystal of 1 to 8 MHz", "clock": '{ source = "crystal", from_hz = 1_000_000, to_hz = 8_000_000 }'}
SIGNAL = {"name": "external", "words": "a clock signal on pin XTAL1", "clock": '{ source = "external" }'}


def own(name, mhz, words="the chip's own {} MHz oscillator"):
    return {"name": name, "words": words.format(mhz), "clock": f'{{ source = "internal", hz = {mhz}_000_000 }}'}


# What runs the chip, where the descriptions name the field and not its values: field, what is from memory, values by their bits.
CLOCK_CODES = [
    (r"atmega(163|323)", "CKSEL",
     "1142 and 1457, table 1: 1111 to 1010 crystal, 1001 and 1000 watch crystal, 0111 to 0101 RC, 0100 to 0010 internal, 0001 and 0000 signal",
     {0b1111: CRYSTAL, 0b0010: own("internal-1-mhz", 1), 0b0000: SIGNAL}),
    (r"atmega161", "CKSEL", "1228, reset delays by CKSEL: 111 to 010 crystal, 001 and 000 signal", {0b010: CRYSTAL, 0b000: SIGNAL}),
    (r"at90scr100", "CKSEL", "that its one value, which a chip has as shipped, is a crystal of 8 MHz",
     {0b1111: {"name": "crystal-8-mhz", "words": "crystal of 8 MHz", "clock": '{ source = "crystal", from_hz = 8_000_000, to_hz = 8_000_000 }'}}),
    (r"atmega\d+hvb(revb)?|atmega16hva2", "OSCSEL", "that its one value is the 8 MHz oscillator", {0b01: own("internal-8-mhz", 8)}),
    (r"atmega64hve", "OSCSEL0", "that what a chip runs on as shipped is of about 8 MHz; its kin is shipped with the other code, by another source", {0: own("as-shipped", 8, "what it runs on as shipped, taken to be {} MHz")}),
    (r"atmega64hve2", "OSCSEL0", "that what a chip runs on as shipped is of about 8 MHz; its kin is shipped with the other code, by another source", {1: own("as-shipped", 8, "what it runs on as shipped, taken to be {} MHz")}),
    (r"ata579[01]", "EXTCLKEN", "9151: that the oscillator is of about 4 MHz, and that a chip that may run on a signal does",
     {1: own("internal", 4, "the chip's own fast oscillator, taken to be of {} MHz"), 0: SIGNAL | {"words": "a clock signal on the clock pin"}}),
    (r"ata628[569]", "FRCFS", "4958: which of the two is which", {1: own("internal-4-mhz", 4), 0: own("internal-1-mhz", 1)}),
]
# The fastest clock of a part whose description does not say it, in hertz: from memory.
FASTEST = 20_000_000
# The parts that bear a crystal of 20 MHz, of those where [A] leaves the end of the range open and gives no speed; the others bear one of
# 16 MHz. From memory, "Speed Grades" of 2543, 8246, 8006, 8197, 8023, 8284 and 8285; [A] gives the same
# speed for near relatives of all but those of 2543 and 8246.
BEARS_20_MHZ = r"attiny(2313a?|4313|[248]4|[248]61a)|atmega(325|3250|6450)(a|p|pa)|atmega(3290|6490)(a|p|pa)"
# What runs the chip after reset where no fuse chooses it, in hertz.
OWN_CLOCK = {
    r"atmega(8|16)hva": (1_000_000, "from memory: 8024: 8 MHz, divided by 8 until the firmware changes it"),
    r"ata(5790n|5795)": (4_000_000, "from memory of its kin, 9151: about 4 MHz"),
}

# Values to take instead of the description's, with the reason.
FACTORY = {
    ("attiny2313", "low"): (0x64, "[D 2543L]; [A] has 0x62"),
    ("atmega64hve", "low"): (0xD6, "the header of avr-libc"),
    ("ata6289", "low"): (0x65, "the header of avr-libc"),
    ("atmega324pb", "extended"): (0xF7, "[D ATmega328PB datasheet, 32.2] for a near relative; [A] has 0x07"),
}
SUPPLY = {
    "atmega2560": (4500, 5500, "from memory: 2549, speed grades; the variant ATmega2560V goes down to 1.8 V"),
    "attiny43u": (1800, 5500, "from memory: 8048; [A] has 0.7 V, which is what its converter can be fed from"),
}

# Parts known by name and ID that no chip file is made for: ID as in avr-libc's header, or in the description where there is one.
ONE_BYTE = "it writes its flash byte by byte, which farrier does not do"
NO_PAGES = "how its flash is divided into pages stands in no source at hand"
REFUSED = [
    ("AT86RF401", "1E9181", ONE_BYTE),
    ("AT90S1200", "1E9001", ONE_BYTE),
    ("AT90S2313", "1E9101", ONE_BYTE),
    ("AT90S2323", "1E9102", ONE_BYTE),
    ("AT90S2343", "1E9103", ONE_BYTE),
    ("AT90S4414", "1E9201", ONE_BYTE),
    ("AT90S4433", "1E9203", ONE_BYTE),
    ("AT90S4434", "1E9303", ONE_BYTE),
    ("AT90S8515", "1E9301", ONE_BYTE),
    ("AT90S8535", "1E9303", ONE_BYTE),
    ("ATtiny12", "1E9005", ONE_BYTE),
    ("ATtiny15", "1E9006", ONE_BYTE),
    ("ATtiny22", "1E9106", ONE_BYTE),
    ("ATmega103", "1E9701", NO_PAGES),
    *((part, None, "it is a radio part with program memory that is only in part flash")
      for part in ("ATA5700M322", "ATA5702M322", "ATA5782", "ATA5787", "ATA5831", "ATA5835", "ATA8210", "ATA8510")),
    *((part, None, "only one description knows it, and no header of a compiler") for part in ("ATtiny80", "ATtiny840")),
    *((part, None, "it has no serial programming interface, but one of its own with fewer wires, TPI")
      for part in ("ATtiny4", "ATtiny5", "ATtiny9", "ATtiny10", "ATtiny20", "ATtiny40", "ATtiny102", "ATtiny104")),
    ("ATtiny11", None, "it has no serial programming interface; it is programmed with high voltage"),
    ("ATtiny28", None, "it has no serial programming interface; it is programmed through many pins at once"),
    ("ATmega406", None, "it has no serial programming interface; it is programmed through JTAG or many pins at once"),
]
