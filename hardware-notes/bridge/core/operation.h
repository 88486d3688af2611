// The operations of a RUN: reading them out of its body, checking them, carrying them out.

#ifndef OPERATION_H
#define OPERATION_H

#include "fields.h"
#include "pattern.h"

enum reason { POLL_TIMED_OUT = 1, DIFFERS, NOT_SUPPORTED, BAD_OPERATION, NO_POWER };

enum outcome {
    DONE,
    FAILED_AT, // with a reason
    STOPPED    // HELLO came meanwhile: nobody waits for the answer any more
};

// Why an operation failed: the reason and its fields as they go into FAILED.
struct failure {
    uint8_t bytes[8];
    uint8_t length;
};

// Looks at a whole RUN body, from `body` to `end`. False where an operation is bad; its index is in `index` then.
bool operations_check(const uint8_t *body, const uint8_t *end, uint16_t *index);

// Carries out a body that was found good. The replies go to `*at`, which moves. What follows the operation `*index` was not begun.
enum outcome operations_carry_out(const uint8_t *body, const uint8_t *end, uint8_t **at, uint16_t *index, struct failure *failure);

// Lets go of the board: every line released, reset first, the clock output stopped; the SPI clock is the slowest again.
void board_let_go(void);

#endif
