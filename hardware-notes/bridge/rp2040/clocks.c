#include "clocks.h"

#include "registers.h"

void start_units(uint32_t units) {
    CLEAR(RESETS_RESET) = units;
    while (~RESETS_DONE & units) {
    }
}

// The crystal's 12 MHz times `times`, over `first` and `second` (2.18.2.1; the oscillator inside may run at 750 to 1600 MHz).
static void start_pll(uint32_t pll, uint32_t times, uint32_t first, uint32_t second) {
    PLL_CS(pll) = 1;
    PLL_FBDIV(pll) = times;
    CLEAR(PLL_PWR(pll)) = PLL_PWR_PD | PLL_PWR_VCOPD;
    while (!(PLL_CS(pll) & PLL_LOCKED)) {
    }
    PLL_PRIM(pll) = first << 16 | second << 12;
    CLEAR(PLL_PWR(pll)) = PLL_PWR_POSTDIVPD;
}

static void start_crystal(void) {
    // 6 ms until it counts as steady, in units of 256 periods: crystals of small boards may need some.
    XOSC_STARTUP = 12000 * 6 / 256;
    XOSC_CTRL = XOSC_ENABLE | XOSC_1_TO_15_MHZ;
    while (!(XOSC_STATUS & XOSC_STABLE)) {
    }
}

void start_clocks(void) {
    start_crystal();
    // The system clock must not stand on a PLL while that is set up: a start from a debugger may find it so.
    CLEAR(CLK_SYS_CTRL) = 1;
    while (!(CLK_SYS_SELECTED & 1)) {
    }
    CLK_REF_CTRL = 2; // the crystal
    while (!(CLK_REF_SELECTED & 4)) {
    }
    SET(RESETS_RESET) = RESET_PLL_SYS | RESET_PLL_USB;
    start_units(RESET_PLL_SYS | RESET_PLL_USB);
    start_pll(PLL_SYS, 128, 6, 2); // 1536 MHz, 128 MHz
    start_pll(PLL_USB, 100, 5, 5); // 1200 MHz, 48 MHz
    CLK_SYS_CTRL = 0;              // other source: the system PLL
    SET(CLK_SYS_CTRL) = 1;
    while (!(CLK_SYS_SELECTED & 2)) {
    }
    CLK_PERI_CTRL = CLK_ENABLE; // the system clock
    CLK_USB_CTRL = CLK_ENABLE;  // the USB PLL
    CLK_ADC_CTRL = CLK_ENABLE;  // the USB PLL
    WATCHDOG_TICK = WATCHDOG_TICK_ENABLE | 12; // a microsecond, for the timer as well (4.7.2)
    start_units(RESET_TIMER);
}

uint32_t microseconds(void) {
    return TIMERAWL;
}

void start_watchdog(void) {
    PSM_WDSEL = PSM_ALL & ~(PSM_ROSC | PSM_XOSC);
    feed_watchdog();
    SET(WATCHDOG_CTRL) = WATCHDOG_ENABLE;
}

void feed_watchdog(void) {
    WATCHDOG_LOAD = 2000000; // it counts two a microsecond (erratum RP2040-E1)
}
