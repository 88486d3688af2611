// Patterns: one template of bytes sent again and again, with places in it that change or are looked at.

#ifndef PATTERN_H
#define PATTERN_H

#include "fields.h"

enum { PATTERN_DISCARD = 0x10, PATTERN_RETURN, PATTERN_COMPARE, PATTERN_CRC };

struct pattern {
    uint8_t code;
    uint8_t length; // of the template
    uint8_t slot_count, data_slots, captures;
    const uint8_t *template, *slots, *data;
    uint32_t first, repeat, every, data_size;
};

// Reads what follows the operation's code. Checks what is needed to know where it ends; the rest is pattern_check's.
void pattern_read(struct reader *reader, uint8_t code, struct pattern *pattern);

// Whether it keeps every rule of the page, and to the largest block.
bool pattern_check(const struct pattern *pattern);

// Bytes of its reply, for one that was found good.
uint16_t pattern_reply_size(const struct pattern *pattern);

struct failure;
// Carries out one that was found good. The reply goes to `*at`, which moves.
enum outcome pattern_carry_out(const struct pattern *pattern, uint8_t **at, struct failure *failure);

#endif
