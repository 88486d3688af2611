#include "frame.h"

#include <string.h>

#include "port.h"

#ifndef PORT_CRC16
// The eight shifts of the definition, done at once: the upper byte with the new one decides what is folded in, and the polynomial's terms
// x^12, x^5 and 1 say where.
static inline uint16_t port_crc16(uint16_t crc, uint8_t byte)
{
    uint8_t upper = (uint8_t)(crc >> 8) ^ byte;
    upper ^= upper >> 4;
    return (uint16_t)((uint16_t)(crc << 8) ^ ((uint16_t)upper << 12) ^ ((uint16_t)upper << 5) ^ upper);
}
#endif

static uint16_t crc_of(const uint8_t *bytes, uint16_t count)
{
    uint16_t crc = 0xFFFF;
    while (count-- > 0)
        crc = port_crc16(crc, *bytes++);
    return (uint16_t)~crc;
}

// The bytes that come out, or 0 where the stuffing is wrong.
static uint16_t unstuff(uint8_t *bytes, uint16_t length)
{
    const uint8_t *from = bytes, *end = bytes + length;
    uint8_t *to = bytes;
    while (from != end) {
        uint8_t code = *from++;
        uint8_t others = code - 1;
        if (code == 0 || others > end - from)
            return 0;
        while (others-- > 0)
            *to++ = *from++;
        if (code != 0xFF && from != end)
            *to++ = 0;
    }
    return (uint16_t)(to - bytes);
}

uint16_t frame_open(uint8_t *bytes, uint16_t length, uint16_t largest)
{
    uint16_t size = unstuff(bytes, length);
    if (size < 4 || size > largest)
        return 0;
    size -= 2;
    uint16_t sent = (uint16_t)(bytes[size] << 8 | bytes[size + 1]);
    return crc_of(bytes, size) == sent ? size : 0;
}

uint16_t frame_seal(uint8_t *bytes, uint16_t length)
{
    uint16_t crc = crc_of(bytes + 1, length);
    bytes[length + 1] = (uint8_t)(crc >> 8);
    bytes[length + 2] = (uint8_t)crc;

    // A piece begins at `code`, where its length is written once it is known; a zero's own place is that of the next length.
    uint16_t code = 0, at = 1, end = (uint16_t)(length + 3);
    for (; at < end; at++) {
        if (bytes[at] == 0) {
            bytes[code] = (uint8_t)(at - code);
            code = at;
        } else if (at - code == 254) {
            bytes[code] = 0xFF;
            if (at + 1 == end) {
                bytes[end] = 0;
                return (uint16_t)(end + 1);
            }
            memmove(bytes + at + 2, bytes + at + 1, (size_t)(end - at - 1));
            end++;
            code = ++at;
        }
    }
    bytes[code] = (uint8_t)(end - code);
    bytes[end] = 0;
    return (uint16_t)(end + 1);
}
