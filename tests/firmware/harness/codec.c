// The core's frames for a test: a line `seal HEX` (kind, sequence, body) gives the bytes on the wire; `open HEX` (without the zero at the
// end) gives kind, sequence and body, or `damaged`.

#include "frame.h"

#include <stdio.h>
#include <string.h>

enum { LARGEST = 4095 };

static uint16_t read_hex(const char *hex, uint8_t *bytes)
{
    uint16_t count = 0;
    unsigned byte;
    for (; sscanf(hex, "%2x", &byte) == 1; hex += 2)
        bytes[count++] = (uint8_t)byte;
    return count;
}

static void print(const uint8_t *bytes, uint16_t count)
{
    for (uint16_t n = 0; n < count; n++)
        printf("%02X", bytes[n]);
    putchar('\n');
}

int main(void)
{
    static char text[4 * LARGEST];
    static uint8_t bytes[2 * LARGEST];
    while (fgets(text, sizeof text, stdin)) {
        if (strncmp(text, "seal ", 5) == 0) {
            uint16_t count = read_hex(text + 5, bytes + 1);
            print(bytes, frame_seal(bytes, count));
        } else {
            uint16_t count = frame_open(bytes, read_hex(text + 5, bytes), LARGEST);
            if (count == 0)
                puts("damaged");
            else
                print(bytes, count);
        }
        fflush(stdout);
    }
    return 0;
}
