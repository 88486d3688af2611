// What the parts that do the work need of the session.

#ifndef SESSION_H
#define SESSION_H

#include <stdbool.h>
#include <stdint.h>

// Whether the work in hand is to stop, because HELLO opens another session.
extern bool session_hello_waits;
static inline bool session_stops(void)
{
    return session_hello_waits;
}

// Called by whoever works, in between: takes in what came, when it is time, and sends what waits.
void session_meanwhile(void);

// The same after some SPI bytes, about once in five milliseconds.
void session_set_pace(uint32_t spi_clock);
extern int16_t session_bytes_left;

// How often this many bytes go into five milliseconds: 1 to 255.
uint8_t session_burst(uint8_t bytes);

static inline void session_passed(uint8_t bytes)
{
    session_bytes_left -= bytes;
    if (session_bytes_left < 0)
        session_meanwhile();
}

#endif
