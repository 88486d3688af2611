// A USB device of our own: control endpoint, a serial port (CDC-ACM) and a vendor interface with two bulk endpoints. No
// interrupts: `usb_poll` does all that there is to do, and is called at least every few milliseconds.

#ifndef USB_H
#define USB_H

#include <stdbool.h>
#include <stdint.h>

typedef enum { SERIAL_PIPE, VENDOR_PIPE, PIPES } pipe_t;

// Appears on the bus. `serial_number` is plain ASCII and stays where it is.
void usb_start(const char *serial_number);

void usb_poll(void);

// The next byte from the host, if there is one.
bool usb_receive(pipe_t pipe, uint8_t *byte);

// Begins to send; the bytes stay as they are until that has ended. What no host fetches is thrown away after a second.
void usb_send(pipe_t pipe, const uint8_t *bytes, uint16_t count);
void usb_stop_sending(pipe_t pipe);
bool usb_is_sending(pipe_t pipe);

#endif
