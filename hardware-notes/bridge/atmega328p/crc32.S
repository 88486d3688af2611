; The table of the reflected CRC-32 (polynomial 0xEDB88320), computed by the assembler from the polynomial: for each byte eight shifts. Four
; tables of one byte each, aligned so that the lower half of the address is the byte itself.

.macro crc32_table shift
    .set byte, 0
    .rept 256
        .set crc, byte
        .rept 8
            .set crc, (crc >> 1) ^ (0xEDB88320 & (0 - (crc & 1)))
        .endr
        .byte (crc >> \shift) & 0xFF
        .set byte, byte + 1
    .endr
.endm

    .section .progmem.crc32, "a"
    .balign 256
    .global crc32_tables
crc32_tables:
    crc32_table 0
    crc32_table 8
    crc32_table 16
    crc32_table 24
