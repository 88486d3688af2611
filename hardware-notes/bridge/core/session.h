// What the parts that do the work need of the session.

#ifndef SESSION_H
#define SESSION_H

#include <stdbool.h>
#include <stdint.h>

// Whether the work in hand is to stop, because HELLO opens another session.
bool session_stops(void);

// Called by whoever works, in between: takes in what came, when it is time, and sends what waits.
void session_meanwhile(void);

// The same after some SPI bytes, about once in a millisecond.
void session_set_pace(uint32_t bytes_per_millisecond);
extern int16_t session_bytes_left;

static inline void session_passed(uint8_t bytes)
{
    session_bytes_left -= bytes;
    if (session_bytes_left < 0)
        session_meanwhile();
}

#endif
