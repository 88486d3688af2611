; Tables for the two CRCs, computed by the assembler from the polynomials: for each byte eight shifts. They are tables of one byte each,
; aligned so that the lower half of the address is the byte itself.

; The reflected CRC-32, polynomial 0xEDB88320.
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

; The CRC-16 that is not reflected, polynomial 0x1021.
.macro crc16_table shift
    .set byte, 0
    .rept 256
        .set crc, byte << 8
        .rept 8
            .set crc, (crc << 1) ^ (0x11021 & (0 - (crc >> 15)))
        .endr
        .byte (crc >> \shift) & 0xFF
        .set byte, byte + 1
    .endr
.endm

    .section .progmem.crc, "a"
    .balign 256
    .global crc32_tables, crc16_tables
crc32_tables:
    crc32_table 0
    crc32_table 8
    crc32_table 16
    crc32_table 24
crc16_tables:
    crc16_table 8
    crc16_table 0
