// The RP2040 bridge: start, and the wires that the core knows nothing of.

#include "../core/port.h"
#include "board.h"
#include "clocks.h"
#include "flash_id.h"
#include "registers.h"
#include "usb.h"

static char serial_number[FLASH_ID_DIGITS + 1];

// Where the last byte came from; answers go there. One host talks at a time. Should another program speak on the other interface,
// the two get in each other's way as two programs on one port would, and the protocol's checks keep that harmless.
static pipe_t talking;

static void change_pipe(pipe_t pipe) {
    usb_stop_sending(talking);
    talking = pipe;
    bridge_receive(0); // ends what the other one has sent half of
}

void port_pump(void) {
    feed_watchdog();
    usb_poll();
    for (pipe_t pipe = 0; pipe < PIPES; pipe++) {
        uint8_t byte;
        while (usb_receive(pipe, &byte)) {
            if (pipe != talking) {
                change_pipe(pipe);
            }
            bridge_receive(byte);
        }
    }
}

void port_lock(void) {
}

void port_unlock(void) {
}

void port_send(const uint8_t *bytes, uint16_t count) {
    usb_send(talking, bytes, count);
}

bool port_sending(void) {
    return usb_is_sending(talking);
}

uint32_t port_microseconds(void) {
    return microseconds();
}

// 64 bits that the ring oscillator was at, folded: each is nearly a toss of a coin (datasheet 2.17.5).
uint32_t port_start_number(void) {
    uint32_t number = 0;
    for (int n = 0; n < 64; n++) {
        uint32_t from = microseconds();
        while (microseconds() == from) {
        }
        number = (number << 1 | number >> 31) ^ (ROSC_RANDOMBIT & 1);
    }
    return number;
}

void port_power(enum port_level level) {
    (void)level; // not among this bridge's abilities, so never called
}

void bridge_main(void) {
    start_board();
    read_flash_id(serial_number);
    start_clocks();
    start_board_units();
    start_watchdog();
    usb_start(serial_number);
    bridge_start();
    for (;;) {
        bridge_step();
    }
}
