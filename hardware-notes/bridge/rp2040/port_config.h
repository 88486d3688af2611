// The RP2040 bridge for the core: its sizes and abilities, and SPI bytes without a call. The core's port.h says what each is.

#ifndef PORT_CONFIG_H
#define PORT_CONFIG_H

#include "clocks.h"
#include "registers.h"

// RAM is plenty: the host may have 8 requests under way, each with data of a kilobyte.
#define BRIDGE_WINDOW 8
#define BRIDGE_BLOCK 1024
#define BRIDGE_FRAME (BRIDGE_BLOCK + 68)
#define BRIDGE_SPARE (BRIDGE_FRAME + 17)

// The SPI unit divides the system clock by an even number up to 254, and that by up to 256. Eight megahertz is more than any
// AVR takes, and as much as wires without a ground beside each carry.
#define BRIDGE_SLOWEST_SPI (SYSTEM_HZ / (254 * 256))
#define BRIDGE_FASTEST_SPI 8000000

#define BRIDGE_ABILITIES 3 // measures the supply, has a clock output
#define BRIDGE_NAME "Farrier bridge RP2040"

#define PORT_SPI_INLINE

static inline void port_spi_start(uint8_t byte) {
    SPI0_DR = byte;
}

static inline uint8_t port_spi_last(void) {
    while (!(SPI0_SR & SPI_RECEIVED)) {
    }
    return (uint8_t)SPI0_DR;
}

// The next byte waits in the unit's queue while the one before is on its way, so there is no gap between them.
static inline uint8_t port_spi_next(uint8_t byte) {
    SPI0_DR = byte;
    return port_spi_last();
}

#endif
