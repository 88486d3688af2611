// Reading and writing the fields of messages: bytes, u16, u32, numbers, blocks.

#ifndef FIELDS_H
#define FIELDS_H

#include <stdbool.h>
#include <stdint.h>

// What is left to read. Reading past the end, or a number that is wrong, sets `wrong`, and gives zeros from then on.
struct reader {
    const uint8_t *at, *end;
    bool wrong;
};

uint8_t read_byte(struct reader *reader);
uint32_t read_u32(struct reader *reader);
uint32_t read_number(struct reader *reader);

// The next `count` bytes, as they lie in the frame.
const uint8_t *read_bytes(struct reader *reader, uint32_t count);

// Each returns where the next field goes. The caller knows that there is room.
uint8_t *write_u16(uint8_t *at, uint16_t value);
uint8_t *write_u32(uint8_t *at, uint32_t value);
uint8_t *write_number(uint8_t *at, uint32_t value);

// Bytes that a number takes.
uint8_t number_size(uint32_t value);

#endif
