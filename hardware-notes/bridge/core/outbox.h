// Frames on their way out: the kept answers, and one short message that is not kept.
//
// An answer is built where it is kept. When the host sends request n it has the answer to n less the window, so request n's answer takes
// the place of that one, and no more than BRIDGE_WINDOW places are needed.

#ifndef OUTBOX_H
#define OUTBOX_H

#include <stdbool.h>
#include <stdint.h>

// Message kinds from the bridge.
enum { HELLO = 0x81, REPLIES, FAILED, NOT_BEGUN, WORKING, AGAIN, HELLO_FIRST };

// Forgets every answer.
void outbox_clear(void);

// A request was accepted; its answer is the newest and is not there yet.
void outbox_expect(void);

// Where the answer to the request accepted `back` before the next one (1 to BRIDGE_WINDOW) is to be built: kind, sequence and body, at most
// BRIDGE_FRAME - 2 bytes. Waits until the bytes there are no longer being sent.
uint8_t *outbox_place(uint8_t back);

// The answer there is complete, `length` bytes of kind, sequence and body: keeps it. The next outbox_pump sends it.
void outbox_keep(uint8_t back, uint16_t length);

// Sends a kept answer once more; false when there is none yet.
bool outbox_repeat(uint8_t back);

// A place for a message that is not kept: SHORT_MESSAGE bytes. 0 while the last one is still being sent; the host asks again.
enum { SHORT_MESSAGE = 70 };
uint8_t *outbox_short(void);
void outbox_send_short(uint16_t length);

// Gives the next frame to the port when it has sent the last one.
void outbox_pump(void);

#endif
