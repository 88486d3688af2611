#include "flash_id.h"

#include "registers.h"

// Instruction 4B, four bytes to wait, then 8 bytes of number: so in the datasheets of the common W25Q family (from memory).
#define READ_UNIQUE_ID 0x4B
#define BEFORE 5
#define BYTES 8

void read_flash_id(char text[FLASH_ID_DIGITS + 1]) {
    SSI_SSIENR = 0;
    SSI_BAUDR = 8;
    SSI_CTRLR0 = 7u << 16; // frames of 8 bits, both ways
    SSI_SSIENR = 1;
    // The queues hold 16 frames each: all that goes out fits at once, so the chip stays selected from first to last.
    SSI_DR0 = READ_UNIQUE_ID;
    for (int n = 1; n < BEFORE + BYTES; n++) {
        SSI_DR0 = 0;
    }
    uint8_t id[BYTES];
    uint8_t all_ones = 0xFF;
    for (int n = 0; n < BEFORE + BYTES; n++) {
        while (!(SSI_SR & SSI_SR_RFNE)) {
        }
        uint8_t byte = (uint8_t)SSI_DR0;
        if (n >= BEFORE) {
            id[n - BEFORE] = byte;
            all_ones &= byte;
        }
    }
    SSI_SSIENR = 0;
    for (int n = 0; n < FLASH_ID_DIGITS; n++) {
        uint8_t byte = all_ones == 0xFF ? 0 : id[n / 2];
        text[n] = "0123456789ABCDEF"[n % 2 ? byte & 15 : byte >> 4];
    }
    text[FLASH_ID_DIGITS] = 0;
}
