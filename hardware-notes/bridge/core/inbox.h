// Frames on their way in. bridge_receive puts each byte, still stuffed, where the frame will stay until it is done with, so that a request
// costs no copy; the session takes whole frames from here in the order in which they came.

#ifndef INBOX_H
#define INBOX_H

#include <stdbool.h>
#include <stdint.h>

#include "frame.h"
#include "port.h"

// A place for each request that may be in hand, and one for what comes meanwhile.
enum { SLOTS = BRIDGE_WINDOW + 1, NO_SLOT = 0xFF };

struct slot {
    uint8_t *bytes;
    uint16_t room;
    uint16_t length; // stuffed bytes; 0: there were more than there is room for
};

extern struct slot inbox_slots[SLOTS];

void inbox_start(void);

// The next whole frame, as an index into inbox_slots, or NO_SLOT. It is the caller's until inbox_release.
uint8_t inbox_next(void);
void inbox_release(uint8_t slot);

// Whether a frame was lost because there was no place for it; forgets it.
bool inbox_lost(void);

#endif
