// The second stage of the boot (RP2040 datasheet 2.8.1.3.1). The ROM copies the flash's first 256 bytes to 0x20041F00 and
// runs them there when their last four bytes are the right CRC-32 over the others; images.py puts it in.
//
// This one makes the flash readable in the simplest way that every SPI flash knows (instruction 03, one data line), copies
// the firmware to RAM, and starts it there. From then on nothing depends on the flash.

    .syntax unified
    .cpu cortex-m0plus
    .thumb
    .section .boot, "ax"
    .global boot
    .thumb_func
boot:
    ldr r3, =0x18000000         // SSI
    movs r0, #0
    str r0, [r3, #0x08]         // SSIENR: off while it is set up
    movs r0, #4
    str r0, [r3, #0x14]         // BAUDR: a fourth of the system clock; the ring oscillator is below 12 MHz, the flash clock below 3
    ldr r0, =0x001F0300         // CTRLR0: frames of 32 bits, instruction and address out, then data in
    str r0, [r3, #0x00]
    movs r0, #0
    str r0, [r3, #0x04]         // CTRLR1: one frame of data a read
    movs r1, #0xF4
    adds r1, r1, r3
    ldr r0, =0x03000218         // SPI_CTRLR0: instruction 03 of 8 bits, address of 24 bits
    str r0, [r1]
    movs r0, #1
    str r0, [r3, #0x10]         // SER: the one chip there is
    str r0, [r3, #0x08]         // SSIENR: on

    ldr r0, =image_in_flash
    ldr r1, =image_start
    ldr r2, =image_end
copy:
    ldm r0!, {r4}
    stm r1!, {r4}
    cmp r1, r2
    blo copy

    ldr r0, =image_start        // the vector table is the image's first part
    ldr r1, =0xE000ED08         // VTOR
    str r0, [r1]
    ldm r0!, {r1, r2}
    msr msp, r1
    bx r2

    .pool
