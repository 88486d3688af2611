// Where the second stage of the boot arrives: the vector table and the first function.

#include <stdint.h>

extern uint32_t bss_start[], bss_end[], stack_top[];

void bridge_main(void);

static void begin(void) {
    for (uint32_t *word = bss_start; word < bss_end; word++) {
        *word = 0;
    }
    bridge_main();
}

// A fault ends here until the watchdog starts the chip anew, with every line released. No interrupt is used.
static void stop(void) {
    for (;;) {
    }
}

typedef union {
    void (*code)(void);
    void *stack;
} vector_t;

// ARMv6-M: stack, reset, NMI, hard fault; the others are not in use.
__attribute__((section(".vectors"), used)) static const vector_t vectors[16] = {
    {.stack = stack_top}, {.code = begin}, {.code = stop},  {.code = stop}, {.code = stop}, {.code = stop},
    {.code = stop},       {.code = stop},  {.code = stop},  {.code = stop}, {.code = stop}, {.code = stop},
    {.code = stop},       {.code = stop},  {.code = stop},  {.code = stop},
};

// The compiler calls these for loops and copies of structures.
void *memcpy(void *to, const void *from, unsigned size) {
    uint8_t *t = to;
    const uint8_t *f = from;
    while (size-- > 0) {
        *t++ = *f++;
    }
    return to;
}

void *memset(void *to, int value, unsigned size) {
    uint8_t *t = to;
    while (size-- > 0) {
        *t++ = (uint8_t)value;
    }
    return to;
}
