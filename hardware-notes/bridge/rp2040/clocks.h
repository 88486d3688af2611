// Clocks, time and the watchdog.

#ifndef CLOCKS_H
#define CLOCKS_H

#include <stdint.h>

// The processor, the SPI unit and the clock output run from this. It is 48 times a sixth of 16 MHz, the programming clock
// of a chip with a crystal of 16 MHz, so that this one is met exactly.
#define SYSTEM_HZ 128000000u

// Takes units out of reset: their bits of RESETS.
void start_units(uint32_t units);

// From the ring oscillator that the ROM runs on to the crystal of 12 MHz and both PLLs.
void start_clocks(void);

// Microseconds since start_clocks, wrapping after 71 minutes.
uint32_t microseconds(void);

// From now on the chip starts anew, with all lines released, when feed_watchdog was not called for a second.
void start_watchdog(void);
void feed_watchdog(void);

#endif
