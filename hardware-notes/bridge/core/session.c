// The session: which frame is answered how, and what is carried out when. See 'HELLO', 'Sequence', 'Failure' and 'Silence' of the page.

#include "session.h"

#include <string.h>

#include "inbox.h"
#include "operation.h"
#include "outbox.h"
#include "port.h"

_Static_assert(BRIDGE_WINDOW >= 1 && BRIDGE_WINDOW <= 64, "window");
_Static_assert(BRIDGE_BLOCK >= 256 && BRIDGE_FRAME >= BRIDGE_BLOCK + 68 && BRIDGE_FRAME <= 4095, "block and frame");
_Static_assert(BRIDGE_SPARE >= 16, "an ASK or HELLO must find its place");
_Static_assert(sizeof BRIDGE_NAME <= 33, "name");

enum { HOST_HELLO = 0x01, RUN, CLEAR, ASK };

enum { VERSION = 1 };

static const uint32_t silence_us = 5000000;
// How often frames are taken in while a fast transfer goes on. An answer may take 100 ms; taking in a big frame stops the transfer for a
// while.
static const uint32_t meanwhile_us = 20000;

// An accepted request: where it lies, and what the check of its operations has found.
struct request {
    uint8_t slot;
    uint16_t length;
    bool good;
    uint16_t bad_index;
};

static bool open, failed;
static uint32_t mark, start;
static uint8_t expected, known; // `known`: requests accepted in this session, as far as answers are kept
static uint32_t heard, pumped;

int16_t session_bytes_left;
static int16_t pace;

// HELLO that opens a session, seen while there may be work in hand; until it has its answer no other frame is looked at.
bool session_hello_waits;
static uint32_t hello_mark;

static struct request requests[BRIDGE_WINDOW];
static uint8_t first_request, request_count;

static void say(uint8_t kind, uint8_t sequence)
{
    uint8_t *at = outbox_short();
    if (!at)
        return;
    at[0] = kind;
    at[1] = sequence;
    outbox_send_short(2);
}

static void say_hello(uint32_t of)
{
    uint8_t *begin = outbox_short(), *at = begin;
    if (!begin)
        return;
    static const char name[] = BRIDGE_NAME;
    *at++ = HELLO;
    *at++ = open ? expected : 0;
    at = write_u16(at, VERSION);
    at = write_u32(at, of);
    at = write_u32(at, start);
    *at++ = BRIDGE_WINDOW;
    at = write_number(at, BRIDGE_FRAME);
    at = write_number(at, BRIDGE_BLOCK);
    at = write_number(at, BRIDGE_SLOWEST_SPI);
    at = write_number(at, BRIDGE_FASTEST_SPI);
    at = write_number(at, port_pin_millivolts());
    *at++ = BRIDGE_ABILITIES;
    *at++ = sizeof name - 1;
    memcpy(at, name, sizeof name - 1);
    outbox_send_short((uint16_t)(at + sizeof name - 1 - begin));
}

// ---- Frames that come ----

static void take_hello(const uint8_t *body, uint16_t length)
{
    struct reader reader = {body, body + length, false};
    uint16_t version = (uint16_t)(read_byte(&reader) << 8);
    version |= read_byte(&reader);
    if (reader.wrong)
        return;
    uint32_t of = length >= 6 ? read_u32(&reader) : 0;
    if (version != VERSION) {
        say_hello(of);
    } else if (length == 6) {
        if (open && of == mark) {
            say_hello(of);
        } else {
            session_hello_waits = true;
            hello_mark = of;
        }
    }
}

// Whether the request stays in its slot.
static bool accept(uint8_t slot, uint16_t length)
{
    if (request_count == BRIDGE_WINDOW) {
        say(AGAIN, expected);
        return false;
    }
    uint8_t at = (uint8_t)(first_request + request_count);
    struct request *request = &requests[at < BRIDGE_WINDOW ? at : at - BRIDGE_WINDOW];
    const uint8_t *bytes = inbox_slots[slot].bytes;
    request->slot = slot;
    request->length = length;
    request->good = bytes[0] != RUN || operations_check(bytes + 2, bytes + length, &request->bad_index);
    request_count++;
    expected++;
    known = known < BRIDGE_WINDOW ? known + 1 : BRIDGE_WINDOW;
    outbox_expect();
    return true;
}

static void take_known(uint8_t sequence)
{
    uint8_t back = (uint8_t)(expected - sequence);
    if (back == 0 || back > known)
        say(AGAIN, expected);
    else if (!outbox_repeat(back))
        say(WORKING, sequence);
}

static void take_frame(uint8_t slot)
{
    uint8_t *bytes = inbox_slots[slot].bytes;
    uint16_t length = frame_open(bytes, inbox_slots[slot].length, BRIDGE_FRAME);
    bool stays = false;
    if (length == 0) {
        if (open)
            say(AGAIN, expected);
    } else {
        heard = port_microseconds();
        uint8_t kind = bytes[0], sequence = bytes[1];
        if (kind == HOST_HELLO)
            take_hello(bytes + 2, length - 2);
        else if (kind != RUN && (length != 2 || (kind != CLEAR && kind != ASK)))
            ; // no message of this version
        else if (!open)
            say(HELLO_FIRST, sequence);
        else if (kind != ASK && sequence == expected)
            stays = accept(slot, length);
        else
            take_known(sequence);
    }
    if (!stays)
        inbox_release(slot);
}

static void take_frames(void)
{
    pumped = port_microseconds();
    port_pump();
    uint8_t slot;
    while (!session_hello_waits && (slot = inbox_next()) != NO_SLOT)
        take_frame(slot);
    if (!session_hello_waits && inbox_lost() && open)
        say(AGAIN, expected);
}

void bridge_pump(void)
{
    take_frames();
    outbox_pump();
}

void session_set_pace(uint32_t spi_clock)
{
    uint32_t bytes = spi_clock / 8 / 200;
    pace = bytes < 10000 ? (int16_t)bytes : 10000;
    session_bytes_left = 0;
}

uint8_t session_burst(uint8_t bytes)
{
    uint16_t times = (uint16_t)pace / bytes;
    return times < 1 ? 1 : times > 255 ? 255 : (uint8_t)times;
}

void session_meanwhile(void)
{
    session_bytes_left = pace;
    if (port_microseconds() - pumped >= meanwhile_us)
        bridge_pump();
    else
        outbox_pump();
}

// ---- Sessions ----

static void forget_requests(void)
{
    for (; request_count > 0; request_count--) {
        inbox_release(requests[first_request].slot);
        first_request = first_request + 1 < BRIDGE_WINDOW ? first_request + 1 : 0;
    }
}

static void end_session(void)
{
    forget_requests();
    outbox_clear();
    board_let_go();
    open = false;
    failed = false;
    expected = known = 0;
}

static void open_session(void)
{
    end_session();
    open = true;
    mark = hello_mark;
    session_hello_waits = false;
    say_hello(mark);
}

// ---- Requests ----

static uint16_t carry_out_run(const struct request *request, uint8_t *answer)
{
    const uint8_t *bytes = inbox_slots[request->slot].bytes;
    uint8_t *at = answer + 2;
    uint16_t index = request->bad_index;
    struct failure failure = {{BAD_OPERATION}, 1};
    enum outcome outcome = FAILED_AT;
    if (request->good)
        outcome = operations_carry_out(bytes + 2, bytes + request->length, &at, &index, &failure);
    if (outcome == STOPPED)
        return 0;
    answer[0] = REPLIES;
    if (outcome == FAILED_AT) {
        failed = true;
        answer[0] = FAILED;
        at = write_number(answer + 2, index);
        memcpy(at, failure.bytes, failure.length);
        at += failure.length;
    }
    return (uint16_t)(at - answer);
}

static void carry_out(void)
{
    struct request *request = &requests[first_request];
    const uint8_t *bytes = inbox_slots[request->slot].bytes;
    uint8_t *answer = outbox_place(request_count);
    uint16_t length = 2;
    answer[1] = bytes[1];
    if (bytes[0] == CLEAR) {
        failed = false;
        answer[0] = REPLIES;
    } else if (failed) {
        answer[0] = NOT_BEGUN;
    } else {
        length = carry_out_run(request, answer);
    }
    if (length == 0)
        return;
    // Its place is free before the host learns of the answer and may send the next.
    uint8_t back = request_count;
    inbox_release(request->slot);
    first_request = first_request + 1 < BRIDGE_WINDOW ? first_request + 1 : 0;
    request_count--;
    outbox_keep(back, length);
    heard = port_microseconds();
}

void bridge_start(void)
{
    start = port_start_number();
    inbox_start();
    end_session();
    say_hello(0);
}

void bridge_step(void)
{
    take_frames();
    if (session_hello_waits) {
        open_session();
    } else if (request_count > 0) {
        // The answer to the request before goes out on the way: a chip that is ready need not wait for it.
        carry_out();
    } else {
        outbox_pump();
        if (open && port_microseconds() - heard >= silence_us) {
            end_session();
            start++;
        }
    }
}
