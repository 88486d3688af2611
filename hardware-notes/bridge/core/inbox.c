#include "inbox.h"

// A bridge that keeps BRIDGE_WINDOW requests needs a full place for no other frame: while all are in hand, a host that keeps to the window
// only sends HELLO, ASK, and requests once more. Where the spare place is too small for the last, it counts as damaged; the answer, AGAIN
// with the expected number, says to the host what WORKING would.
static uint8_t full[BRIDGE_WINDOW][FRAME_STUFFED(BRIDGE_FRAME)];
static uint8_t spare[BRIDGE_SPARE];

struct slot inbox_slots[SLOTS];

// Where bytes go now; `inbox_put == inbox_end`: nowhere without a closer look.
uint8_t *volatile inbox_put, *volatile inbox_end;
static volatile uint8_t filling = NO_SLOT;
static volatile bool too_long, lost;

static volatile bool used[SLOTS];
static volatile uint8_t ready[SLOTS], first_ready, ready_count;

void inbox_start(void)
{
    for (uint8_t n = 0; n < SLOTS; n++) {
        inbox_slots[n].bytes = n < BRIDGE_WINDOW ? full[n] : spare;
        inbox_slots[n].room = n < BRIDGE_WINDOW ? sizeof full[n] : sizeof spare;
    }
}

// The first byte of a frame: finds a place for it.
static void begin(void)
{
    for (uint8_t n = 0; n < SLOTS; n++) {
        if (!used[n]) {
            used[n] = true;
            filling = n;
            inbox_put = inbox_slots[n].bytes;
            inbox_end = inbox_slots[n].bytes + inbox_slots[n].room;
            return;
        }
    }
}

static void finish(void)
{
    uint8_t n = filling;
    inbox_slots[n].length = too_long ? 0 : (uint16_t)(inbox_put - inbox_slots[n].bytes);
    uint8_t at = first_ready + ready_count;
    ready[at < SLOTS ? at : at - SLOTS] = n;
    ready_count++;
}

// A zero, or a byte for which there is no place yet or no more.
static void receive_with_care(uint8_t byte)
{
    if (byte == 0) {
        if (filling != NO_SLOT)
            finish();
        else if (too_long)
            lost = true;
        filling = NO_SLOT;
        too_long = false;
        inbox_put = inbox_end = 0;
        return;
    }
    if (filling == NO_SLOT && !too_long)
        begin();
    uint8_t *at = inbox_put;
    if (at == inbox_end) {
        too_long = true;
    } else {
        *at = byte;
        inbox_put = at + 1;
    }
}

void bridge_receive(uint8_t byte)
{
    uint8_t *at = inbox_put;
    if (byte == 0 || at == inbox_end) {
        receive_with_care(byte);
    } else {
        *at = byte;
        inbox_put = at + 1;
    }
}

uint8_t inbox_next(void)
{
    uint8_t slot = NO_SLOT;
    port_lock();
    if (ready_count > 0) {
        slot = ready[first_ready];
        first_ready = first_ready + 1 < SLOTS ? first_ready + 1 : 0;
        ready_count--;
    }
    port_unlock();
    return slot;
}

void inbox_release(uint8_t slot)
{
    port_lock();
    used[slot] = false;
    port_unlock();
}

bool inbox_lost(void)
{
    port_lock();
    bool was_lost = lost;
    lost = false;
    port_unlock();
    return was_lost;
}
