#include "usb.h"

#include "clocks.h"
#include "descriptors.h"
#include "registers.h"

// Requests (USB 2.0, table 9-4; PSTN devices 1.2, table 13).
enum {
    GET_STATUS = 0,
    CLEAR_FEATURE = 1,
    SET_FEATURE = 3,
    SET_ADDRESS = 5,
    GET_DESCRIPTOR = 6,
    GET_CONFIGURATION = 8,
    SET_CONFIGURATION = 9,
    GET_INTERFACE = 10,
    SET_INTERFACE = 11,
    SET_LINE_CODING = 0x20,
    GET_LINE_CODING = 0x21,
    SET_CONTROL_LINE_STATE = 0x22,
};

// The first byte of a request: direction, type, recipient.
enum {
    TO_DEVICE = 0x00,
    TO_INTERFACE = 0x01,
    TO_ENDPOINT = 0x02,
    CLASS_TO_INTERFACE = 0x21,
    FROM_DEVICE = 0x80,
    FROM_INTERFACE = 0x81,
    FROM_ENDPOINT = 0x82,
    CLASS_FROM_INTERFACE = 0xA1,
};

typedef struct {
    uint8_t type, request;
    uint16_t value, index, length;
} setup_t;

#define LINE_CODING_SIZE 7
#define PATIENCE 1000000 // microseconds that bytes wait for a host that does not fetch them

// One direction of an endpoint: what the next packet's toggle is, and whether the controller has its buffer.
typedef struct {
    bool toggle, armed, halted;
} direction_t;

typedef struct {
    uint8_t endpoint;
    uint16_t out_buffer, in_buffer; // places in the USB memory
    uint8_t received, taken;        // bytes in the OUT buffer, and how many of them are read
    const uint8_t *next;            // what is left to send
    uint16_t left;
    bool full_packet_last;          // the host waits for a shorter one
    uint32_t moved_at;              // when the host took something last, or there was something new
} bulk_t;

static const char *serial_number;
static uint8_t configured;
static uint8_t new_address;
static uint8_t line_coding[LINE_CODING_SIZE];
static direction_t directions[ENDPOINTS][2];
static bulk_t bulks[PIPES];

// What is left of the answer to a control request.
static struct {
    uint8_t bytes[2];
    const uint8_t *next;
    uint16_t left;
    bool ends_short; // a packet that is not full must end it, an empty one if need be
    bool expects_line_coding;
} control;

enum { IN, OUT };

static volatile uint8_t *memory(uint16_t place) {
    return (volatile uint8_t *)(USB_MEMORY + place);
}

// Hands an endpoint's buffer to the controller. The bit that does so must come some of the USB unit's clocks after the others
// (4.1.2.5.1); 12 of the processor's are more than three of its.
static void arm(uint8_t endpoint, int out, uint16_t length) {
    direction_t *direction = &directions[endpoint][out];
    uint32_t control_word = length | (out ? 0 : BUFFER_FULL) | (direction->toggle ? BUFFER_DATA1 : 0);
    direction->toggle = !direction->toggle;
    direction->armed = true;
    USB_BUFFER_CONTROL(endpoint, out) = control_word;
    __asm__ volatile("nop; nop; nop; nop; nop; nop; nop; nop; nop; nop; nop; nop");
    USB_BUFFER_CONTROL(endpoint, out) = control_word | BUFFER_AVAILABLE;
}

static void halt(uint8_t endpoint, int out) {
    directions[endpoint][out].halted = true;
    if (endpoint == 0) {
        SET(USB_EP_STALL_ARM) = out ? 2 : 1;
    }
    USB_BUFFER_CONTROL(endpoint, out) = BUFFER_STALL;
}

static uint8_t smaller(uint16_t size, uint8_t limit) {
    return size < limit ? (uint8_t)size : limit;
}

// ---- The bulk endpoints

static void arm_out(bulk_t *bulk) {
    bulk->received = bulk->taken = 0;
    if (!directions[bulk->endpoint][OUT].halted) {
        arm(bulk->endpoint, OUT, BULK_PACKET);
    }
}

// Sends the next packet, when the last one has gone. A host that does not fetch it will miss the rest.
static void go_on_sending(bulk_t *bulk) {
    direction_t *in = &directions[bulk->endpoint][IN];
    if (!configured || in->halted || (in->armed && microseconds() - bulk->moved_at > PATIENCE)) {
        bulk->left = 0;
        return;
    }
    if (in->armed || (bulk->left == 0 && !bulk->full_packet_last)) {
        return;
    }
    uint8_t size = smaller(bulk->left, BULK_PACKET);
    for (uint8_t n = 0; n < size; n++) {
        memory(bulk->in_buffer)[n] = *bulk->next++;
    }
    bulk->left -= size;
    bulk->full_packet_last = size == BULK_PACKET;
    bulk->moved_at = microseconds();
    arm(bulk->endpoint, IN, size);
}

// Begins anew with an endpoint whose toggles the host has set back.
static void restart(uint8_t endpoint, int out) {
    directions[endpoint][out] = (direction_t){0};
    USB_BUFFER_CONTROL(endpoint, out) = 0;
    for (pipe_t pipe = 0; pipe < PIPES; pipe++) {
        if (out && bulks[pipe].endpoint == endpoint) {
            arm_out(&bulks[pipe]);
        }
    }
}

static void enable(uint8_t endpoint, int out, uint8_t type, uint16_t buffer) {
    USB_ENDPOINT_CONTROL(endpoint, out) =
        ENDPOINT_ENABLE | ENDPOINT_EVERY_BUFFER | (uint32_t)type << ENDPOINT_TYPE_SHIFT | buffer;
}

static void configure(uint8_t value) {
    configured = value;
    for (uint8_t endpoint = 1; endpoint < ENDPOINTS; endpoint++) {
        for (int out = IN; out <= OUT; out++) {
            directions[endpoint][out] = (direction_t){0};
            USB_BUFFER_CONTROL(endpoint, out) = 0;
            USB_ENDPOINT_CONTROL(endpoint, out) = 0;
        }
    }
    if (configured) {
        enable(NOTIFICATION_ENDPOINT, IN, 3, USB_FREE_BUFFERS); // never armed: there is nothing to notify
    }
    for (pipe_t pipe = 0; pipe < PIPES; pipe++) {
        bulk_t *bulk = &bulks[pipe];
        bulk->received = bulk->taken = 0;
        bulk->left = 0;
        bulk->full_packet_last = false;
        if (configured) {
            enable(bulk->endpoint, OUT, 2, bulk->out_buffer);
            enable(bulk->endpoint, IN, 2, bulk->in_buffer);
            arm_out(bulk);
        }
    }
}

bool usb_receive(pipe_t pipe, uint8_t *byte) {
    bulk_t *bulk = &bulks[pipe];
    if (bulk->taken == bulk->received) {
        return false;
    }
    *byte = memory(bulk->out_buffer)[bulk->taken++];
    if (bulk->taken == bulk->received) {
        arm_out(bulk);
    }
    return true;
}

void usb_send(pipe_t pipe, const uint8_t *bytes, uint16_t count) {
    bulks[pipe].next = bytes;
    bulks[pipe].left = count;
    bulks[pipe].moved_at = microseconds();
    go_on_sending(&bulks[pipe]);
}

void usb_stop_sending(pipe_t pipe) {
    bulks[pipe].left = 0;
}

bool usb_is_sending(pipe_t pipe) {
    return bulks[pipe].left > 0;
}

// ---- The control endpoint

static void refuse(void) {
    halt(0, IN);
    halt(0, OUT);
}

static void send_control_packet(void) {
    uint8_t size = smaller(control.left, CONTROL_PACKET);
    for (uint8_t n = 0; n < size; n++) {
        memory(USB_EP0_BUFFER)[n] = *control.next++;
    }
    control.left -= size;
    if (size < CONTROL_PACKET) {
        control.ends_short = false;
    }
    arm(0, IN, size);
}

// An empty packet says that a request without data from us has been carried out.
static void acknowledge(void) {
    control.left = 0;
    control.ends_short = false;
    send_control_packet();
}

static void answer(const setup_t *setup, const uint8_t *bytes, uint16_t size) {
    control.ends_short = size < setup->length;
    control.next = bytes;
    control.left = size < setup->length ? size : setup->length;
    send_control_packet();
}

static void answer_value(const setup_t *setup, uint16_t value, uint8_t size) {
    control.bytes[0] = (uint8_t)value;
    control.bytes[1] = (uint8_t)(value >> 8);
    answer(setup, control.bytes, size);
}

static void answer_descriptor(const setup_t *setup) {
    descriptor_t descriptor = find_descriptor(setup->value, serial_number);
    if (descriptor.size == 0) {
        refuse();
    } else {
        answer(setup, descriptor.bytes, descriptor.size);
    }
}

static void feature(const setup_t *setup, bool set) {
    uint8_t endpoint = setup->index & 0x0F;
    int out = setup->index & 0x80 ? IN : OUT;
    if (setup->value != 0 || endpoint >= ENDPOINTS) { // 0 is 'endpoint halt'
        refuse();
        return;
    }
    if (endpoint != 0 && set) {
        halt(endpoint, out);
    } else if (endpoint != 0) {
        restart(endpoint, out);
    }
    acknowledge();
}

static void set_configuration(uint16_t value) {
    if (value > 1) {
        refuse();
        return;
    }
    configure((uint8_t)value);
    acknowledge();
}

static void set_address(uint16_t value) {
    new_address = value & 0x7F; // it counts once this has been acknowledged
    acknowledge();
}

static void endpoint_status(const setup_t *setup) {
    uint8_t endpoint = setup->index & 0x0F;
    if (endpoint >= ENDPOINTS) {
        refuse();
        return;
    }
    answer_value(setup, endpoint != 0 && directions[endpoint][setup->index & 0x80 ? IN : OUT].halted, 2);
}

static void set_line_coding(const setup_t *setup) {
    if (setup->length != LINE_CODING_SIZE) {
        refuse();
        return;
    }
    control.expects_line_coding = true;
    arm(0, OUT, CONTROL_PACKET);
}

#define REQUEST(type, request) ((type) << 8 | (request))

static void carry_out(const setup_t *setup) {
    switch (REQUEST(setup->type, setup->request)) {
    case REQUEST(FROM_DEVICE, GET_DESCRIPTOR):
        answer_descriptor(setup);
        break;
    case REQUEST(FROM_DEVICE, GET_STATUS):
    case REQUEST(FROM_INTERFACE, GET_STATUS):
        answer_value(setup, 0, 2);
        break;
    case REQUEST(FROM_ENDPOINT, GET_STATUS):
        endpoint_status(setup);
        break;
    case REQUEST(TO_ENDPOINT, CLEAR_FEATURE):
        feature(setup, false);
        break;
    case REQUEST(TO_ENDPOINT, SET_FEATURE):
        feature(setup, true);
        break;
    case REQUEST(TO_DEVICE, SET_ADDRESS):
        set_address(setup->value);
        break;
    case REQUEST(FROM_DEVICE, GET_CONFIGURATION):
        answer_value(setup, configured, 1);
        break;
    case REQUEST(TO_DEVICE, SET_CONFIGURATION):
        set_configuration(setup->value);
        break;
    case REQUEST(FROM_INTERFACE, GET_INTERFACE):
        answer_value(setup, 0, 1);
        break;
    case REQUEST(TO_INTERFACE, SET_INTERFACE):
        if (setup->value == 0 && setup->index < INTERFACES) {
            acknowledge();
        } else {
            refuse();
        }
        break;
    case REQUEST(CLASS_TO_INTERFACE, SET_LINE_CODING):
        set_line_coding(setup);
        break;
    case REQUEST(CLASS_FROM_INTERFACE, GET_LINE_CODING):
        answer(setup, line_coding, LINE_CODING_SIZE);
        break;
    case REQUEST(CLASS_TO_INTERFACE, SET_CONTROL_LINE_STATE):
        acknowledge(); // a port that is closed says nothing about the session: the silence rule does
        break;
    default:
        refuse();
    }
}

static void hear_setup(void) {
    volatile uint8_t *packet = memory(0);
    setup_t setup = {
        .type = packet[0],
        .request = packet[1],
        .value = (uint16_t)(packet[2] | packet[3] << 8),
        .index = (uint16_t)(packet[4] | packet[5] << 8),
        .length = (uint16_t)(packet[6] | packet[7] << 8),
    };
    // Whatever an earlier request left is void; the first packet after a setup is DATA1.
    for (int out = IN; out <= OUT; out++) {
        USB_BUFFER_CONTROL(0, out) = 0;
        directions[0][out] = (direction_t){.toggle = true};
    }
    control.next = 0;
    control.left = 0;
    control.ends_short = control.expects_line_coding = false;
    carry_out(&setup);
}

static void control_packet_gone(void) {
    if (new_address) {
        USB_ADDRESS = new_address;
        new_address = 0;
    } else if (control.left > 0 || control.ends_short) {
        send_control_packet();
    } else if (control.next) {
        control.next = 0; // all of the answer is sent, and the host says so with an empty packet
        directions[0][OUT].toggle = true;
        arm(0, OUT, CONTROL_PACKET);
    }
}

static void control_packet_came(void) {
    if (!control.expects_line_coding) {
        return;
    }
    control.expects_line_coding = false;
    for (uint8_t n = 0; n < LINE_CODING_SIZE; n++) {
        line_coding[n] = memory(USB_EP0_BUFFER)[n]; // kept because a host may read it back; nothing here has a speed
    }
    acknowledge();
}

// ---- All of it

static void hear_bus_reset(void) {
    USB_ADDRESS = 0;
    new_address = 0;
    USB_BUFFER_CONTROL(0, IN) = USB_BUFFER_CONTROL(0, OUT) = 0;
    configure(0);
    USB_BUFF_STATUS = ~0u;
}

static void buffer_done(uint8_t endpoint, int out) {
    directions[endpoint][out].armed = false;
    if (endpoint == 0) {
        (out ? control_packet_came : control_packet_gone)();
        return;
    }
    for (pipe_t pipe = 0; pipe < PIPES; pipe++) {
        bulk_t *bulk = &bulks[pipe];
        if (out && bulk->endpoint == endpoint) {
            bulk->received = USB_BUFFER_CONTROL(endpoint, OUT) & BUFFER_LENGTH;
            if (bulk->received == 0) {
                arm_out(bulk);
            }
        }
    }
}

void usb_poll(void) {
    uint32_t status = USB_SIE_STATUS;
    if (status & USB_BUS_RESET) {
        USB_SIE_STATUS = USB_BUS_RESET;
        hear_bus_reset();
        return;
    }
    uint32_t done = USB_BUFF_STATUS;
    for (uint8_t n = 0; done; n++, done >>= 1) {
        if (done & 1) {
            USB_BUFF_STATUS = 1u << n;
            buffer_done(n / 2, n % 2);
        }
    }
    if (status & USB_SETUP_RECEIVED) {
        USB_SIE_STATUS = USB_SETUP_RECEIVED;
        hear_setup();
    }
    for (pipe_t pipe = 0; pipe < PIPES; pipe++) {
        go_on_sending(&bulks[pipe]);
    }
}

void usb_start(const char *text) {
    serial_number = text;
    for (pipe_t pipe = 0; pipe < PIPES; pipe++) {
        bulks[pipe].endpoint = pipe == SERIAL_PIPE ? SERIAL_ENDPOINT : VENDOR_ENDPOINT;
        bulks[pipe].out_buffer = (uint16_t)(USB_FREE_BUFFERS + BULK_PACKET * (1 + 2 * pipe));
        bulks[pipe].in_buffer = (uint16_t)(bulks[pipe].out_buffer + BULK_PACKET);
    }
    line_coding[1] = 0xC2, line_coding[2] = 0x01, line_coding[6] = 8; // 115200 baud, 8N1, for who reads it first
    SET(RESETS_RESET) = RESET_USBCTRL;
    start_units(RESET_USBCTRL);
    for (uint16_t place = 0; place < 4096; place += 4) {
        REGISTER(USB_MEMORY + place) = 0;
    }
    USB_MUXING = USB_TO_PHY | USB_SOFTCON;
    USB_PWR = USB_VBUS_DETECT | USB_VBUS_DETECT_OVERRIDE;
    USB_MAIN_CTRL = USB_CONTROLLER_ENABLE;
    USB_SIE_CTRL = USB_EP0_INT_1BUF | USB_PULL_UP;
}
