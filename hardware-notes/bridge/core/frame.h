// Frames: CRC-16/GENIBUS and byte stuffing, both in the buffer that holds the frame.

#ifndef FRAME_H
#define FRAME_H

#include <stdint.h>

// Bytes that a frame of `size` bytes with its CRC takes on the wire at most: a length byte for each piece, and the zero at the end.
#define FRAME_STUFFED(size) ((size) + (size) / 254 + 2)

// Unstuffs a frame in its place, `length` bytes without the zero that ended it, and checks it. Returns how many bytes of kind, sequence and
// body it holds (2 or more), or 0 when it is damaged or larger than `largest` bytes with its CRC.
uint16_t frame_open(uint8_t *bytes, uint16_t length, uint16_t largest);

// Completes a frame for the wire. bytes[1] and on hold `length` bytes of kind, sequence and body; bytes[0] is free. Appends the CRC, stuffs
// in place and ends it with a zero. Returns the bytes on the wire. The buffer holds FRAME_STUFFED(length + 2) bytes.
uint16_t frame_seal(uint8_t *bytes, uint16_t length);

#endif
