// The flash chip's own number, which tells one bridge from another.

#ifndef FLASH_ID_H
#define FLASH_ID_H

#define FLASH_ID_DIGITS 16

// Writes 16 hexadecimal digits and a zero; all digits are 0 where the chip knows no such number. Only before start_clocks, from
// RAM; nothing can be read from the flash as memory afterwards.
void read_flash_id(char text[FLASH_ID_DIGITS + 1]);

#endif
