"""Our words for the fields of the fuse bytes, by the name that the descriptions give them."""


def pair(one, one_words, zero, zero_words, **more):
    """Values of a single bit: unprogrammed first."""
    return [{"bits": 1, "name": one, "words": one_words} | more.get("on_one", {}), {"bits": 0, "name": zero, "words": zero_words} | more.get("on_zero", {})]


# Of a value whose effect stands in no description: nothing is set to it without a consent.
UNKNOWN = {"unknown": "true"}
# A level that the descriptions do not give.
SUPERVISED = ("brown-out", "holds the chip in reset while the supply is too low", None,
              pair("off", "no supervision of the supply", "on", "reset below a level that stands in the datasheet", on_zero=UNKNOWN))
BROWN_OUT_OFF = {"bits": 7, "name": "off", "words": "no supervision of the supply"}
SHUT = {"shuts": '["spi"]'}
FACTORY_ONLY = "reserved for the maker's tests: leave it off"


def at_reset(what):
    return pair("port", f"in reset {what} are ordinary port pins", "driven", f"in reset {what} are held at their reset level")


def level_at_reset(what):
    return pair("high", f"the reset level of {what} is high", "low", f"the reset level of {what} is low")


def old_mode(part):
    return pair("off", "off", "on", f"the chip behaves like an {part} in many ways")


def sleep_modes(when):
    return [
        {"bits": 3, "name": "off", "words": f"no supervision of the supply {when}"},
        {"bits": 2, "name": "always", "words": f"supervised all the time {when}"},
        {"bits": 1, "name": "sampled", "words": f"supervised now and then {when}"},
    ]


# Name here, words, role, values.
FIELDS = {
    "PLLCK": ("pll-clock", "whether the internal PLL runs the chip, instead of what the clock field says", None,
              pair("off", "the clock field decides", "on", "the PLL, with 16 MHz")),
    "CKDIV8": ("clock-divider", "divides the clock by 8 after reset", "clock-divider",
               pair("off", "the full clock, undivided", "on", "an eighth of the clock, until the firmware changes it")),
    "CKOPT": ("crystal-swing", "how strongly the crystal oscillator drives its crystal", "crystal-swing",
              pair("small", "small swing, for crystals up to 8 MHz or resonators", "full", "full swing, for fast crystals and noisy places")),
    "CKOUT": ("clock-output", "puts the clock out on {pin}", None,
              pair("off", "no clock on {pin}", "on", "the clock is on {pin} and disturbs what hangs there")),
    "CFD": ("clock-watch", "switches to the chip's own oscillator when a crystal or signal fails", None,
            pair("on", "a clock that fails is noticed", "off", "a clock that fails stops the chip")),
    "BOOTRST": ("reset-start", "where the chip starts after reset", "reset-start",
                pair("application", "reset starts the application, at address 0", "loader", "reset starts the first address of the boot section")),
    "HWBE": ("loader-pin", "whether pin HWB can force the loader", None,
             pair("off", "pin HWB is an ordinary pin", "on", "pin HWB low at the end of reset starts the boot section")),
    "EESAVE": ("keep-eeprom", "whether the EEPROM survives a chip erase", "keep-eeprom",
               pair("off", "a chip erase blanks the EEPROM too", "on", "the EEPROM survives a chip erase")),
    "BODACT": ("brown-out-awake", "supervision of the supply while the chip is awake", None, sleep_modes("while the chip is awake")),
    "BODPD": ("brown-out-asleep", "supervision of the supply while the chip sleeps", None, sleep_modes("while the chip sleeps")),
    "WDTON": ("watchdog", "who switches the watchdog on", "watchdog",
              pair("by-firmware", "off, until the firmware wants it", "always-on", "always on: code that never feeds it is reset for ever")),
    "SPIEN": ("serial-programming", "programming through the SPI pins", None, [
        {"bits": 0, "name": "on", "words": "the programming header works"},
        {"bits": 1, "name": "off", "words": "the programming header is dead for good", "comment": "[D 2543, 2586, 8272] not to be set from there"} | SHUT,
    ]),
    "RSTDISBL": ("reset-pin", "what the RESET pin is for", None,
                 pair("reset", "reset, as the programming header needs it", "port-pin", "an ordinary pin: the programming header is dead for good",
                      on_zero=SHUT | {"comment": "[D 8183, 2586] for theirs; else from memory"})),
    "DWEN": ("debug-wire", "one-wire debugging on the RESET pin", None,
             pair("off", "off, as in a finished board", "on", "RESET becomes a debug line: the programming header is dead after the next reset",
                  on_zero=SHUT | {"comment": "[D 2586] for its own; else from memory"})),
    "JTAGEN": ("jtag", "the debug interface on {port}", None, pair("off", "its four pins are free", "on", "it takes its four pins")),
    "OCDEN": ("on-chip-debug", "debugging of running code", None,
              pair("off", "off, as in a finished board", "on", "clocks run on in sleep; not for a finished board", on_zero={"comment": "[D 8272, 2543]"})),
    "SELFPRGEN": ("self-programming", "whether code may write the flash", None,
                  pair("off", "no code can write the flash", "on", "code may write the flash (SPM)")),
    "ULPOSCSEL": ("slow-oscillator", "what the slow oscillator inside the chip runs at", None,
                  [{"bits": bits, "name": f"{khz}-khz", "words": f"{khz} kHz"} for bits, khz in ((7, 32), (6, 64), (5, 128), (4, 256), (3, 512))]),
    "PSC0RB": ("psc-0-at-reset", "outputs of power stage 0 in reset", None, at_reset("the outputs of power stage 0")),
    "PSC1RB": ("psc-1-at-reset", "outputs of power stage 1 in reset", None, at_reset("the outputs of power stage 1")),
    "PSC2RB": ("psc-2-at-reset", "outputs of power stage 2 in reset", None, at_reset("the outputs of power stage 2")),
    "PSC2RBA": ("psc-2-second-at-reset", "second outputs of power stage 2 in reset", None, at_reset("the second outputs of power stage 2")),
    "PSCINRB": ("psc-inputs-at-reset", "inputs of the power stages in reset", None, at_reset("the inputs of the power stages")),
    "PSCRB": ("psc-at-reset", "outputs of the power stages in reset", None, at_reset("the outputs of the power stages")),
    "PSCRV": ("psc-level", "reset level of the power stages' outputs", None, level_at_reset("the outputs of the power stages")),
    "PSCRVA": ("psc-level-a", "reset level of the power stages' outputs A", None, level_at_reset("the outputs A")),
    "PSCRVB": ("psc-level-b", "reset level of the power stages' outputs B", None, level_at_reset("the outputs B")),
    "M103C": ("old-part-mode", "likeness to an older part", "old-part-mode", old_mode("ATmega103")),
    "M161C": ("old-part-mode", "likeness to an older part", "old-part-mode", old_mode("ATmega161")),
    "S8515C": ("old-part-mode", "likeness to an older part", "old-part-mode", old_mode("AT90S4414 or AT90S8515")),
    "S8535C": ("old-part-mode", "likeness to an older part", "old-part-mode", old_mode("AT90S4434 or AT90S8535")),
    "TA0SEL": ("factory-test", FACTORY_ONLY, None, pair("off", "off, as it must be", "on", FACTORY_ONLY)),
    "BODEN": SUPERVISED,
    "BODENABLE": SUPERVISED,
    "_32OEN": ("slow-crystal", "the oscillator for a crystal of 32 kHz", None, pair("off", "off", "on", "it may run")),
    "WDRCON": ("watchdog-oscillator", "the oscillator that counts for the watchdog", None, pair("off", "as the firmware wants it", "on", "it runs")),
    "TSRDI": ("heat-reset", "reset when the chip gets too hot", None, pair("on", "too much heat resets the chip", "off", "heat resets nothing")),
    "EELOCK": ("upper-eeprom", "whether the upper part of the EEPROM can be written", None, pair("free", "all of it can", "locked", "0x100 to 0x13F cannot",
               on_zero={"locks_eeprom": "{ start = 0x100, size = 64 }",
                        "comment": "[A] that it locks an upper part; from memory: 4958: that it is the 64 bytes above the first 256"})),
    "COMPMODE": ("compatibility", "a compatibility mode; with what, stands in no description", None,
                 pair("off", "off", "on", "on", on_one=UNKNOWN, on_zero=UNKNOWN)),
    "Reserved": ("always-programmed", "a bit that must stay programmed", None, [{"bits": 0, "name": "programmed", "words": "as it must be"}]),
    "DUVRDINIT": ("deep-undervoltage", "recovery from a supply that went very low", None, pair("off", "off", "on", "on")),
}

# The order in which people read fields.
ORDER = ["CKSEL", *FIELDS]
ORDER.insert(ORDER.index("EESAVE"), "BOOTSZ")
ORDER.insert(ORDER.index("BODACT"), "BODLEVEL")
