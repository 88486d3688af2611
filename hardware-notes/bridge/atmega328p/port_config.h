// ATmega328P at 16 MHz. Of its 2 KiB of RAM the frames of a window of 2 take 1.3 KiB: a page of 256 bytes is loaded while the next one
// comes.

#ifndef PORT_CONFIG_H
#define PORT_CONFIG_H

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <stdbool.h>
#include <stdint.h>

#define BRIDGE_WINDOW 2
#define BRIDGE_FRAME 324
#define BRIDGE_BLOCK 256
#define BRIDGE_SPARE 24
#define BRIDGE_SLOWEST_SPI 250
#define BRIDGE_FASTEST_SPI 8000000
#define BRIDGE_ABILITIES 3
#define BRIDGE_NAME "Farrier bridge, ATmega328P"

// ---- SPI ----

// What SPCR is while bytes are sent; 0: the clock is below what the SPI unit can do, and slow_spi_byte makes it.
extern uint8_t spi_control;
extern uint8_t slow_spi_came;
uint8_t slow_spi_byte(uint8_t byte);

#define PORT_SPI_INLINE

static inline void port_spi_start(uint8_t byte)
{
    if (spi_control == 0) {
        slow_spi_came = slow_spi_byte(byte);
    } else {
        SPCR = spi_control;
        SPDR = byte;
    }
}

// What came is read before the next byte goes: the other way round an interrupt in between could last until that one had taken its place.
static inline uint8_t port_spi_next(uint8_t byte)
{
    if (spi_control == 0) {
        uint8_t came = slow_spi_came;
        slow_spi_came = slow_spi_byte(byte);
        return came;
    }
    // The loop below looks every four cycles. With these two the looks of the core's fastest loops come soon after the byte is done.
    asm volatile("nop\n\tnop");
    while (!(SPSR & _BV(SPIF)))
        ;
    uint8_t came = SPDR;
    SPDR = byte;
    return came;
}

// The unit is switched off between transfers: then SCK and MOSI are the port's, and low.
static inline uint8_t port_spi_last(void)
{
    if (spi_control == 0)
        return slow_spi_came;
    while (!(SPSR & _BV(SPIF)))
        ;
    uint8_t came = SPDR;
    SPCR = 0;
    return came;
}

// ---- Receiving by hand ----

// An interrupt takes 50 cycles at any moment, this half of that while a byte is on its way.

#define PORT_RECEIVE_INLINE

extern uint8_t *volatile inbox_put, *volatile inbox_end;

static inline void port_receive_by_hand(bool by_hand)
{
    cli(); // UCSR0B belongs to the transmitter's interrupt, too
    UCSR0B = by_hand ? UCSR0B & ~_BV(RXCIE0) : UCSR0B | _BV(RXCIE0);
    sei();
}

static inline void port_receive_now(void)
{
    if (!(UCSR0A & _BV(RXC0)))
        return;
    uint8_t byte = UDR0;
    uint8_t *at = inbox_put;
    if (byte != 0 && at != inbox_end) {
        *at = byte;
        inbox_put = at + 1;
    } else {
        // As from the interrupt: it saves what it uses, so the loop around this keeps its registers.
        GPIOR0 = byte;
        asm volatile("call __vector_receive_with_care" ::: "memory");
    }
}

// ---- CRC-32 ----

#define PORT_CRC32

// crc32.S: for each byte, the four bytes of its CRC-32 register, in four tables of 256 bytes each, one behind the other, the lowest byte
// first.
static inline uint32_t port_crc32(uint32_t crc, uint8_t byte)
{
    uint16_t at;
    asm("mov %A1, %A0\n\t"
        "eor %A1, %2\n\t"
        "ldi %B1, hi8(crc32_tables)\n\t"
        "lpm __tmp_reg__, Z\n\t"
        "mov %A0, %B0\n\t"
        "eor %A0, __tmp_reg__\n\t"
        "inc %B1\n\t"
        "lpm __tmp_reg__, Z\n\t"
        "mov %B0, %C0\n\t"
        "eor %B0, __tmp_reg__\n\t"
        "inc %B1\n\t"
        "lpm __tmp_reg__, Z\n\t"
        "mov %C0, %D0\n\t"
        "eor %C0, __tmp_reg__\n\t"
        "inc %B1\n\t"
        "lpm %D0, Z"
        : "+r"(crc), "=&z"(at)
        : "r"(byte));
    return crc;
}

#endif
