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
