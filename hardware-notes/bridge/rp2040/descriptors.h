// What the bridge tells about itself over USB.

#ifndef DESCRIPTORS_H
#define DESCRIPTORS_H

#include <stdint.h>

#define CONTROL_PACKET 64
#define BULK_PACKET 64

#define SERIAL_INTERFACE 0
#define INTERFACES 3

#define NOTIFICATION_ENDPOINT 1
#define SERIAL_ENDPOINT 2
#define VENDOR_ENDPOINT 3
#define ENDPOINTS 4

typedef struct {
    const uint8_t *bytes;
    uint16_t size;
} descriptor_t;

// The descriptor that `value` of a GET_DESCRIPTOR names; its size is 0 where there is none. `serial_number` is plain ASCII.
descriptor_t find_descriptor(uint16_t value, const char *serial_number);

#endif
