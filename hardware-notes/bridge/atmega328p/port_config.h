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

// ---- Bursts ----

// At 64 cycles a byte and less, interrupts that take 50 and more would be most of the time. They are off during a burst; what they would do
// is done by hand, one piece of it while a byte is on its way.

#define PORT_BURST_INLINE

extern bool spi_is_fast;

extern const uint8_t *volatile uart_next;
extern volatile uint16_t uart_left;
extern volatile uint32_t timer_overflows;
extern uint8_t *volatile inbox_put, *volatile inbox_end;

struct port_burst {
    uint8_t *put, *end; // inbox_put and inbox_end
    uint8_t begun;      // timer 2, which counts CPU clocks, when the byte on its way was begun
};

static inline bool port_hurries(void)
{
    return spi_is_fast;
}

static inline void port_burst_start(struct port_burst *burst, uint8_t byte)
{
    cli();
    burst->put = inbox_put;
    burst->end = inbox_end;
    SPCR = spi_control;
    SPDR = byte;
    burst->begun = TCNT2;
}

// A look at the SPI unit takes four cycles. Up to three are waited first, so that one of the looks comes when a multiple of four has
// passed since the byte was begun: then it is done. What came is read behind the next byte's start; it waits for as long as that takes.
static inline uint8_t port_burst_next(struct port_burst *burst, uint8_t byte)
{
    uint8_t came, passed;
    asm volatile("lds %[passed], %[timer]\n\t"
                 "sub %[passed], %[begun]\n\t"
                 "sbrs %[passed], 0\n\t" // one cycle more without bit 0
                 "rjmp .+0\n\t"
                 "sbrs %[passed], 1\n\t" // two cycles more without bit 1
                 "lpm __tmp_reg__, Z\n"
                 "1:\n\t"
                 "in __tmp_reg__, %[status]\n\t"
                 "sbrs __tmp_reg__, %[done]\n\t"
                 "rjmp 1b\n\t"
                 "out %[data], %[byte]\n\t"
                 "in %[came], %[data]\n\t"
                 "lds %[begun], %[timer]"
                 : [came] "=&r"(came), [passed] "=&r"(passed), [begun] "+&r"(burst->begun)
                 : [byte] "r"(byte), [timer] "n"(_SFR_MEM_ADDR(TCNT2)), [status] "I"(_SFR_IO_ADDR(SPSR)), [done] "I"(SPIF),
                   [data] "I"(_SFR_IO_ADDR(SPDR)));
    return came;
}

static inline uint8_t port_burst_last(struct port_burst *burst)
{
    uint8_t came = port_spi_last();
    inbox_put = burst->put;
    sei();
    return came;
}

static inline void receive_next(struct port_burst *burst)
{
    uint8_t byte = UDR0;
    if (byte != 0 && burst->put != burst->end) {
        *burst->put++ = byte;
        return;
    }
    // As from the interrupt: it saves what it uses, so the loop around this keeps its registers. It returns as from one, too, and the
    // instruction behind it comes before any other interrupt.
    inbox_put = burst->put;
    GPIOR0 = byte;
    asm volatile("call __vector_receive_with_care\n\t"
                 "cli" ::
                     : "memory");
    burst->put = inbox_put;
    burst->end = inbox_end;
}

// Also what the interrupt does once the transmitter has room.
static inline void send_next(void)
{
    const uint8_t *at = uart_next;
    uint16_t left = uart_left - 1;
    UDR0 = *at;
    uart_next = at + 1;
    uart_left = left;
    if (left == 0)
        UCSR0B &= ~_BV(UDRIE0);
}

static inline void port_burst_turn(struct port_burst *burst)
{
    uint8_t status = UCSR0A;
    if (status & _BV(RXC0)) {
        receive_next(burst);
    } else if (TIFR0 & _BV(TOV0)) {
        TIFR0 = _BV(TOV0);
        timer_overflows++;
    } else if ((status & _BV(UDRE0)) && (UCSR0B & _BV(UDRIE0))) {
        send_next();
    }
}

// ---- CRCs ----

// crc.S has tables of 256 bytes, one behind the other: four for each byte of a CRC-32 register, the lowest first, and two for each byte of
// a CRC-16 register, the highest first.

#define PORT_CRC32

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

#define PORT_CRC16

static inline uint16_t port_crc16(uint16_t crc, uint8_t byte)
{
    uint16_t at;
    asm("mov %A1, %B0\n\t"
        "eor %A1, %2\n\t"
        "ldi %B1, hi8(crc16_tables)\n\t"
        "lpm __tmp_reg__, Z\n\t"
        "mov %B0, %A0\n\t"
        "eor %B0, __tmp_reg__\n\t"
        "inc %B1\n\t"
        "lpm %A0, Z"
        : "+r"(crc), "=&z"(at)
        : "r"(byte));
    return crc;
}

#endif
