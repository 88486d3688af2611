// What a port provides, and what it calls. The core (this folder) knows the protocol and no hardware; a port (a folder beside it) knows its
// hardware and nothing of the protocol. ../../bridge-protocol.md is the definition of what the bridge does with all this.
//
// A port's folder has `port_config.h`, which the core includes. It defines:
//
//   BRIDGE_WINDOW      requests that may be without an answer at a time: 1 to 64
//   BRIDGE_FRAME       the largest frame in bytes: at least BRIDGE_BLOCK + 68, at most 4095
//   BRIDGE_BLOCK       the largest block in bytes: at least 256
//   BRIDGE_SPARE       bytes for a frame that comes while BRIDGE_WINDOW requests are in hand: at least 16; BRIDGE_FRAME + 17 takes any
//   BRIDGE_SLOWEST_SPI, BRIDGE_FASTEST_SPI     hertz
//   BRIDGE_ABILITIES   the abilities byte of HELLO: bit 0 measures the supply, bit 1 has a clock output, bit 2 switches the board's power
//   BRIDGE_NAME        a string literal of at most 32 characters
//
// It may define, where a processor has a better way than the core's:
//
//   PORT_SPI_INLINE    and give port_spi_start, port_spi_next and port_spi_last as static inline functions
//   PORT_BURST_INLINE  and give what stands under 'Bursts' below
//   PORT_CRC32         and give `static inline uint32_t port_crc32(uint32_t crc, uint8_t byte)`, one byte's step of the reflected CRC-32
//                      register (polynomial 0xEDB88320, without the inversions at both ends)
//   PORT_CRC16         and give `static inline uint16_t port_crc16(uint16_t crc, uint8_t byte)`, one byte's step of the CRC-16 register
//                      that is not reflected (polynomial 0x1021, without the inversion)
//
// RAM: about BRIDGE_WINDOW * (2 * BRIDGE_FRAME + 20) + BRIDGE_SPARE + 300 bytes, all static.

#ifndef PORT_H
#define PORT_H

#include <stdbool.h>
#include <stdint.h>

#include "port_config.h"

enum port_level { PORT_LOW = 0, PORT_HIGH = 1, PORT_RELEASED = 2 };

// ---- What the port calls ----

// Once, after the port's hardware is set up with every line released.
void bridge_start(void);

// Again and again, without a pause: takes in what came, carries out a request, watches for silence. The port's main is
// `set up; bridge_start(); for (;;) bridge_step();`
void bridge_step(void);

// Takes in the frames that came, and answers. The core calls this while it works; the port calls it, too, wherever one of its own functions
// below takes longer than 20 ms (a slow SPI byte). Never from an interrupt.
void bridge_pump(void);

// For each byte that comes from the host: from one interrupt, or from port_pump. Never from both.
void bridge_receive(uint8_t byte);

// The first lines of bridge_receive, for a port whose interrupt must be short: a byte that is not 0 goes to *inbox_put, which moves on,
// unless it is inbox_end. Every other is bridge_receive's.
extern uint8_t *volatile inbox_put, *volatile inbox_end;

// ---- What the port provides ----

// A chance to move bytes, for a port without interrupts: calls bridge_receive for what has come, and goes on with what port_send began. The
// core calls it from bridge_pump, so at least every 20 ms, and mostly far more often.
void port_pump(void);

// Keeps the interrupt that calls bridge_receive away, for a few instructions. Empty where that is no interrupt. Not nested.
void port_lock(void);
void port_unlock(void);

// Begins to send `count` bytes (1 or more) to the host. Called only when port_sending() is false; the bytes stay as they are until it is
// again. Where nobody takes them (no host on the port), the port throws them away after a while rather than keep port_sending() true for
// ever.
void port_send(const uint8_t *bytes, uint16_t count);
bool port_sending(void);

// Microseconds since any moment, wrapping around at 32 bits. May be as coarse as 100 us.
uint32_t port_microseconds(void);

// A number that differs from those of earlier starts of this bridge, and by more than a few hundred. Called once, by bridge_start.
uint32_t port_start_number(void);

// The level of a high pin, millivolts. Called for each answer to HELLO.
uint16_t port_pin_millivolts(void);

// Lines. Everything is released before bridge_start.
void port_reset(enum port_level level);

// true: SCK and MOSI are outputs, low between transfers. false: they are inputs.
void port_drive_bus(bool driven);

// The levels on the bridge's own pins now: bit 0 reset, bit 1 SCK, bit 2 MOSI, bit 3 MISO; 1 is high.
uint8_t port_read_lines(void);

// Only with bit 2 of the abilities, else never called.
void port_power(enum port_level level);

// Sets the fastest SPI clock that is not above `hertz`, and returns it; 0 and nothing changed where that is slower than the slowest.
// Called with BRIDGE_SLOWEST_SPI before the first transfer of a session.
uint32_t port_spi_clock(uint32_t hertz);

// SPI mode 0, most significant bit first, a series of bytes: port_spi_start(first), then port_spi_next(second) and so on, each of which
// waits for the byte before and returns what came back for it, then port_spi_last() for the last one. The core works between the calls
// while the byte is on its way, so a port whose hardware shifts by itself returns from start and next at once. Never called otherwise than
// in this order.
#ifndef PORT_SPI_INLINE
void port_spi_start(uint8_t byte);
uint8_t port_spi_next(uint8_t byte);
uint8_t port_spi_last(void);
#endif

// Bursts: some transfers of a pattern, for up to about 5 ms, in which the core does nothing but send and receive their bytes. Where
// port_hurries() is true it uses the other four instead of port_spi_start, port_spi_next and port_spi_last; `burst` is the port's own, and
// lives in registers. It calls port_burst_turn at least at every second byte, while that is on its way: for a port that moves the host's
// bytes by hand where it has no time for interrupts.
#ifndef PORT_BURST_INLINE
struct port_burst {
    uint8_t unused;
};

static inline bool port_hurries(void)
{
    return false;
}

void port_burst_start(struct port_burst *burst, uint8_t byte);
uint8_t port_burst_next(struct port_burst *burst, uint8_t byte);
uint8_t port_burst_last(struct port_burst *burst);
void port_burst_turn(struct port_burst *burst);
#endif

// A square wave of at most `hertz`, as near as can be; 0 stops it and releases the pin. false where it cannot be made so slow. Only with
// bit 1 of the abilities, else never called.
bool port_clock_output(uint32_t hertz);

// The board's supply in millivolts; false where it cannot be told. Only with bit 0 of the abilities, else never called.
bool port_supply(uint16_t *millivolts);

#endif
