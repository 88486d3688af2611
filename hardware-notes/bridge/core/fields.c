#include "fields.h"

uint8_t read_byte(struct reader *reader)
{
    if (reader->at == reader->end)
        reader->wrong = true;
    return reader->wrong ? 0 : *reader->at++;
}

uint32_t read_u32(struct reader *reader)
{
    uint32_t value = 0;
    for (uint8_t n = 0; n < 4; n++)
        value = value << 8 | read_byte(reader);
    return value;
}

uint32_t read_number(struct reader *reader)
{
    uint32_t value = 0;
    for (uint8_t shift = 0; shift < 35; shift += 7) {
        uint8_t byte = read_byte(reader);
        // The fifth byte has room for four bits and is the last one.
        if (shift == 28 && byte > 0x0F)
            break;
        value |= (uint32_t)(byte & 0x7F) << shift;
        if (byte < 0x80) {
            if (byte == 0 && shift > 0)
                break; // longer than necessary
            return reader->wrong ? 0 : value;
        }
    }
    reader->wrong = true;
    return 0;
}

const uint8_t *read_bytes(struct reader *reader, uint32_t count)
{
    const uint8_t *bytes = reader->at;
    if (reader->wrong || count > (uint32_t)(reader->end - reader->at))
        reader->wrong = true;
    else
        reader->at += count;
    return bytes;
}

uint8_t *write_u16(uint8_t *at, uint16_t value)
{
    *at++ = (uint8_t)(value >> 8);
    *at++ = (uint8_t)value;
    return at;
}

uint8_t *write_u32(uint8_t *at, uint32_t value)
{
    return write_u16(write_u16(at, (uint16_t)(value >> 16)), (uint16_t)value);
}

uint8_t *write_number(uint8_t *at, uint32_t value)
{
    for (; value > 0x7F; value >>= 7)
        *at++ = (uint8_t)(value | 0x80);
    *at++ = (uint8_t)value;
    return at;
}

uint8_t number_size(uint32_t value)
{
    uint8_t size = 1;
    for (; value > 0x7F; value >>= 7)
        size++;
    return size;
}
