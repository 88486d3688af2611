// The bridge's pins and what hangs on them: SPI, reset, clock output, supply. A 3.3 V chip: its pins do not bear 5 V.
//
//   GP18 SCK, GP19 MOSI, GP16 MISO   SPI0
//   GP17 reset                       low, high, or an input
//   GP21 clock output                CLK_GPOUT0
//   GP26 supply                      half of it, over two resistors of 10 kilohm each
//   GP25 light                       on while the board is in hand

#include "board.h"

#include "../core/port.h"
#include "clocks.h"
#include "registers.h"

enum { MISO = 16, RESET = 17, SCK = 18, MOSI = 19, CLOCK_OUTPUT = 21, LIGHT = 25, SUPPLY = 26 };

#define PIN(pin) (1u << (pin))
// A pin without pulls. The pads as they are after power-up pull down, which a weak pull-up on the board's reset would not outdo.
#define PAD_PLAIN (PAD_INPUT | PAD_4MA | PAD_SCHMITT)

static const uint8_t pins[] = {MISO, RESET, SCK, MOSI, CLOCK_OUTPUT, LIGHT};

void start_board(void) {
    start_units(RESET_IO_BANK0 | RESET_PADS_BANK0);
    for (unsigned n = 0; n < sizeof pins; n++) {
        SIO_DRIVE_CLEAR = PIN(pins[n]);
        SIO_OUT_CLEAR = PIN(pins[n]);
        PAD(pins[n]) = PAD_PLAIN;
        IO_CTRL(pins[n]) = FUNCTION_SIO;
    }
    SIO_DRIVE_SET = PIN(LIGHT);
    PAD(SUPPLY) = PAD_OUTPUT_DISABLE; // analogue: no input stage, no pulls
}

void start_board_units(void) {
    start_units(RESET_SPI0 | RESET_ADC);
    port_spi_clock(BRIDGE_SLOWEST_SPI);
    ADC_CS = ADC_ENABLE;
}

// ---- Lines

static void drive(unsigned pin, enum port_level level) {
    if (level == PORT_RELEASED) {
        SIO_DRIVE_CLEAR = PIN(pin);
        return;
    }
    (*(level == PORT_HIGH ? &SIO_OUT_SET : &SIO_OUT_CLEAR)) = PIN(pin);
    SIO_DRIVE_SET = PIN(pin);
}

void port_reset(enum port_level level) {
    drive(RESET, level);
}

// The SPI unit rests with SCK and its data output low (PL022 manual, 'Motorola SPI frame format with SPO=0, SPH=0'), but it may
// leave the data output open between transfers, so both pins are driven regardless. MISO gets a pull-up, so that an open wire
// reads as ones.
void port_drive_bus(bool driven) {
    uint32_t function = driven ? FUNCTION_SPI | OUTPUT_ALWAYS : FUNCTION_SIO;
    IO_CTRL(SCK) = function;
    IO_CTRL(MOSI) = function;
    IO_CTRL(MISO) = driven ? FUNCTION_SPI : FUNCTION_SIO;
    PAD(MISO) = driven ? PAD_PLAIN | PAD_PULL_UP : PAD_PLAIN;
    (*(driven ? &SIO_OUT_SET : &SIO_OUT_CLEAR)) = PIN(LIGHT);
}

uint8_t port_read_lines(void) {
    uint32_t in = SIO_IN;
    return (uint8_t)((in >> RESET & 1) | (in >> SCK & 1) << 1 | (in >> MOSI & 1) << 2 | (in >> MISO & 1) << 3);
}

uint16_t port_pin_millivolts(void) {
    return 3300;
}

// ---- SPI

// The even `prescale` and `rate` whose product is the smallest that is not below `divider`; `prescale` 0 where none is so large.
static void find_divider(uint32_t divider, uint32_t *prescale, uint32_t *rate) {
    uint32_t best = UINT32_MAX;
    *prescale = *rate = 0;
    for (uint32_t first = 2; first <= 254; first += 2) {
        uint32_t second = (divider + first - 1) / first;
        if (second <= 256 && first * second < best) {
            best = first * second;
            *prescale = first;
            *rate = second;
        }
    }
}

uint32_t port_spi_clock(uint32_t hertz) {
    if (hertz == 0) {
        return 0;
    }
    if (hertz > BRIDGE_FASTEST_SPI) {
        hertz = BRIDGE_FASTEST_SPI;
    }
    uint32_t prescale, rate;
    // In whole hertz: 2,666,666 asked for gives a 48th, which is two thirds of a hertz more.
    find_divider(SYSTEM_HZ / (hertz + 1) + 1, &prescale, &rate);
    if (prescale == 0) {
        return 0;
    }
    SPI0_CR1 = 0;
    SPI0_CPSR = prescale;
    SPI0_CR0 = (rate - 1) << 8 | SPI_8_BITS;
    SPI0_CR1 = SPI_ENABLE;
    return SYSTEM_HZ / (prescale * rate);
}

// ---- Clock output and supply

// Whole dividers only: a fractional one would make single periods shorter than asked for.
bool port_clock_output(uint32_t hertz) {
    IO_CTRL(CLOCK_OUTPUT) = FUNCTION_SIO;
    CLK_GPOUT0_CTRL = CLK_KILL;
    if (hertz == 0) {
        return true;
    }
    uint32_t divider = (SYSTEM_HZ + hertz - 1) / hertz;
    if (divider < 4) {
        divider = 4; // 32 MHz: a pin does not make a square wave of more
    }
    if (divider > 0xFFFFFF) {
        return false;
    }
    CLK_GPOUT0_DIV = divider << 8;
    CLK_GPOUT0_CTRL = CLK_DC50 | CLK_ENABLE; // from the system PLL, both halves of equal length
    IO_CTRL(CLOCK_OUTPUT) = FUNCTION_CLOCK;
    return true;
}

// The reference is the bridge's own 3.3 V supply, which is not measured: a few percent.
bool port_supply(uint16_t *millivolts) {
    uint32_t sum = 0;
    for (int n = 0; n < 16; n++) {
        ADC_CS = ADC_ENABLE | ADC_ERROR << 1 | ADC_START_ONE; // input 0; an earlier error is cleared
        while (!(ADC_CS & ADC_READY)) {
        }
        if (ADC_CS & ADC_ERROR) {
            return false;
        }
        sum += ADC_RESULT;
    }
    *millivolts = (uint16_t)(sum * 2 * 3300 / (16 * 4096));
    return true;
}
