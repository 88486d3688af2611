#include "descriptors.h"

// USB 2.0, table 9-5 and section 9.6; the class's own descriptors: USB Class Definitions for Communications Devices 1.2,
// section 5.2.3, and its subclass for PSTN devices 1.2, section 5.3. From memory.
enum {
    DEVICE = 1,
    CONFIGURATION = 2,
    STRING = 3,
    INTERFACE = 4,
    ENDPOINT = 5,
    ASSOCIATION = 11,
    CLASS_INTERFACE = 0x24,
    BULK = 2,
    INTERRUPT = 3,
    IN = 0x80,
};

enum { NO_TEXT, PRODUCT_TEXT, SERIAL_NUMBER_TEXT, SERIAL_PORT_TEXT, BULK_TEXT };

#define U16(value) (value) & 0xFF, (value) >> 8

static const uint8_t device[] = {
    18, DEVICE, U16(0x0200),
    0xEF, 2, 1, // several functions, told apart by interface associations
    CONTROL_PACKET,
    U16(0x1209), U16(0x0001), // a published number for tests; a maker who hands bridges out needs one of their own
    U16(0x0100),
    NO_TEXT, PRODUCT_TEXT, SERIAL_NUMBER_TEXT,
    1, // configuration
};

#define CONFIGURATION_SIZE (9 + 8 + 9 + 5 + 5 + 4 + 5 + 7 + 9 + 7 + 7 + 9 + 7 + 7)

static const uint8_t configuration[] = {
    9, CONFIGURATION, U16(CONFIGURATION_SIZE), INTERFACES, 1, NO_TEXT, 0x80, 100 / 2, // fed by the bus, 100 mA

    8, ASSOCIATION, SERIAL_INTERFACE, 2, 2, 2, 0, SERIAL_PORT_TEXT,
    9, INTERFACE, SERIAL_INTERFACE, 0, 1, 2, 2, 0, SERIAL_PORT_TEXT,
    5, CLASS_INTERFACE, 0, U16(0x0110),
    5, CLASS_INTERFACE, 1, 0, SERIAL_INTERFACE + 1, // no call management
    4, CLASS_INTERFACE, 2, 2,                       // line coding and line state, no more
    5, CLASS_INTERFACE, 6, SERIAL_INTERFACE, SERIAL_INTERFACE + 1,
    7, ENDPOINT, IN | NOTIFICATION_ENDPOINT, INTERRUPT, U16(8), 255,
    9, INTERFACE, SERIAL_INTERFACE + 1, 0, 2, 10, 0, 0, NO_TEXT,
    7, ENDPOINT, SERIAL_ENDPOINT, BULK, U16(BULK_PACKET), 0,
    7, ENDPOINT, IN | SERIAL_ENDPOINT, BULK, U16(BULK_PACKET), 0,

    9, INTERFACE, SERIAL_INTERFACE + 2, 0, 2, 0xFF, 0, 0, BULK_TEXT, // vendor specific
    7, ENDPOINT, VENDOR_ENDPOINT, BULK, U16(BULK_PACKET), 0,
    7, ENDPOINT, IN | VENDOR_ENDPOINT, BULK, U16(BULK_PACKET), 0,
};
_Static_assert(sizeof configuration == CONFIGURATION_SIZE, "the configuration says how long it is");

static const uint8_t languages[] = {4, STRING, U16(0x0409)}; // English (United States)

// ASCII as a string descriptor, which is UTF-16.
static descriptor_t text_descriptor(const char *text) {
    static uint8_t bytes[2 + 2 * 32];
    uint8_t size = 2;
    for (; *text && size < sizeof bytes; text++) {
        bytes[size++] = (uint8_t)*text;
        bytes[size++] = 0;
    }
    bytes[0] = size;
    bytes[1] = STRING;
    return (descriptor_t){bytes, size};
}

static descriptor_t find_text(uint8_t index, const char *serial_number) {
    switch (index) {
    case 0:
        return (descriptor_t){languages, sizeof languages};
    case PRODUCT_TEXT:
        return text_descriptor("Farrier bridge");
    case SERIAL_NUMBER_TEXT:
        return text_descriptor(serial_number);
    case SERIAL_PORT_TEXT:
        return text_descriptor("Farrier bridge, serial port");
    case BULK_TEXT:
        return text_descriptor("Farrier bridge, bulk");
    default:
        return (descriptor_t){0, 0};
    }
}

descriptor_t find_descriptor(uint16_t value, const char *serial_number) {
    uint8_t index = value & 0xFF;
    switch (value >> 8) {
    case DEVICE:
        return (descriptor_t){device, sizeof device};
    case CONFIGURATION:
        return index == 0 ? (descriptor_t){configuration, sizeof configuration} : (descriptor_t){0, 0};
    case STRING:
        return find_text(index, serial_number);
    default:
        return (descriptor_t){0, 0};
    }
}
