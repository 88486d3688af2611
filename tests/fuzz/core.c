// Fuzzing of the bridge's portable core: a host that says anything, in any order, on a port that checks what the core promises to ports.
// `tests/fuzz/core` builds and runs it with clang's libFuzzer; tests/firmware/core/fuzz.rs runs it on random inputs in every test run.
//
// An input is a script, a byte that says what to do and what that needs, see `obey`. Frames are sealed here, by a stuffing and a CRC of this
// file's own, so that what is tried lies behind them; raw bytes and damaged frames are tried as well. Time is counted, not waited for. When
// the work takes long, the host gives up and opens another session, as the page allows, and the bridge must stop. After each script it must
// have let go of the board after 5 s of silence, and work as a new one.

#include "port.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CHECK(what) ((what) ? (void)0 : fail(#what))

static void fail(const char *what)
{
    fprintf(stderr, "the core broke a rule: %s\n", what);
    abort();
}

enum { HELLO = 0x01, RUN = 0x02, ANSWER_HELLO = 0x81, REPLIES = 0x82, LAST_ANSWER = 0x87 };

// ---- The line to the bridge ----

static uint8_t line[1 << 16];
static uint32_t line_first, line_end;
// Bytes that come between two looks of the bridge.
static uint32_t grain = 16;

static void put(uint8_t byte)
{
    if (line_end < sizeof line)
        line[line_end++] = byte;
}

static uint16_t crc_of(const uint8_t *bytes, size_t count)
{
    uint32_t crc = 0xFFFF;
    for (size_t n = 0; n < count; n++) {
        crc ^= (uint32_t)bytes[n] << 8;
        for (int bit = 0; bit < 8; bit++)
            crc = crc & 0x8000 ? (crc << 1) ^ 0x11021 : crc << 1;
    }
    return (uint16_t)~crc;
}

// Kind, sequence and body as a frame; one of its bytes is changed by `damage` where that is not 0.
static void put_frame(const uint8_t *bytes, size_t count, uint8_t damage)
{
    uint8_t frame[1200];
    memcpy(frame, bytes, count);
    uint16_t crc = crc_of(frame, count);
    frame[count++] = (uint8_t)(crc >> 8);
    frame[count++] = (uint8_t)crc;
    frame[damage % count] ^= damage;
    size_t from = 0;
    while (from <= count) {
        size_t end = from;
        while (end < count && end - from < 254 && frame[end] != 0)
            end++;
        put((uint8_t)(end - from + 1));
        for (size_t n = from; n < end; n++)
            put(frame[n]);
        // A piece of 254 has no zero behind it.
        from = end - from == 254 ? end : end + 1;
        if (end - from == 0 && end == count)
            break;
    }
    put(0);
}

static uint32_t mark;

static void put_hello(uint32_t of)
{
    uint8_t hello[] = {HELLO, 0, 0, 1, (uint8_t)(of >> 24), (uint8_t)(of >> 16), (uint8_t)(of >> 8), (uint8_t)of};
    put_frame(hello, sizeof hello, 0);
}

// ---- What the bridge says ----

static uint8_t heard[4200];
static uint32_t heard_count, answers;
static uint64_t carried_out;
static uint8_t expected; // the number that the host believes to be next
static uint32_t opened;  // the mark in the last HELLO

static void take_answer(void)
{
    uint8_t frame[4200];
    uint32_t size = 0;
    for (uint32_t from = 0; from < heard_count;) {
        uint8_t code = heard[from++];
        CHECK(code != 0 && from + code - 1u <= heard_count);
        memcpy(frame + size, heard + from, code - 1u);
        size += code - 1u;
        from += code - 1u;
        if (code != 0xFF && from < heard_count)
            frame[size++] = 0;
    }
    CHECK(size >= 4 && size <= BRIDGE_FRAME);
    CHECK(crc_of(frame, size - 2) == (frame[size - 2] << 8 | frame[size - 1]));
    CHECK(frame[0] >= ANSWER_HELLO && frame[0] <= LAST_ANSWER);
    if (frame[0] == ANSWER_HELLO) {
        opened = (uint32_t)frame[4] << 24 | frame[5] << 16 | frame[6] << 8 | frame[7];
        expected = frame[1];
    }
    answers += frame[0] == REPLIES;
    carried_out += frame[0] == REPLIES;
}

static void hear(uint8_t byte)
{
    if (byte != 0) {
        CHECK(heard_count < sizeof heard);
        heard[heard_count++] = byte;
        return;
    }
    if (heard_count > 0)
        take_answer();
    heard_count = 0;
}

// ---- Time, and a host that gives up ----

enum { LOOKS_MAX = 20000, BYTES_MAX = 20000, PUMPS_MAX = 3000 };

static uint64_t now;
static uint32_t looks, bytes_moved;
static bool gives_up;
static uint32_t pumps_since;

// Its HELLO is said again from time to time: the bridge may be busy with saying something else.
static void give_up(void)
{
    if (!gives_up) {
        mark++;
        pumps_since = 0;
    }
    gives_up = true;
    line_first = line_end = 0;
    put(0);
    put_hello(mark);
}

static void be_patient(void)
{
    looks = bytes_moved = 0;
}

static void lose_patience(void)
{
    if (!gives_up && (looks > LOOKS_MAX || bytes_moved > BYTES_MAX))
        give_up();
    // Two more times of all that, and the work must have stopped.
    CHECK(looks < 3 * LOOKS_MAX && bytes_moved < 3 * BYTES_MAX);
}

uint32_t port_microseconds(void)
{
    looks++;
    now += 1 + looks / 4;
    lose_patience();
    return (uint32_t)now;
}

// ---- The port ----

static const uint8_t *sending;
static uint8_t sent[4200];
static uint16_t sending_count, sending_time;

void port_pump(void)
{
    for (uint32_t n = 0; n < grain && line_first < line_end; n++)
        bridge_receive(line[line_first++]);
    if (line_first == line_end)
        line_first = line_end = 0;
    if (gives_up && ++pumps_since % 64 == 0)
        give_up();
    CHECK(pumps_since < PUMPS_MAX);
    if (sending_count > 0 && sending_time-- == 0) {
        CHECK(memcmp(sent, sending, sending_count) == 0);
        uint16_t count = sending_count;
        sending_count = 0;
        for (uint16_t n = 0; n < count; n++)
            hear(sent[n]);
        if (opened == mark)
            gives_up = false;
    }
}

void port_lock(void)
{
}

void port_unlock(void)
{
}

void port_send(const uint8_t *bytes, uint16_t count)
{
    CHECK(sending_count == 0 && count > 0 && count <= sizeof sent);
    memcpy(sent, bytes, count);
    sending = bytes;
    sending_count = count;
    sending_time = count / 16;
}

bool port_sending(void)
{
    return sending_count > 0;
}

uint32_t port_start_number(void)
{
    return 7;
}

uint16_t port_pin_millivolts(void)
{
    return 5000;
}

static enum port_level reset = PORT_RELEASED, power = PORT_RELEASED;
static bool driven, clock_runs;

void port_reset(enum port_level level)
{
    CHECK(level <= PORT_RELEASED);
    CHECK(level == PORT_RELEASED || driven);
    reset = level;
}

void port_drive_bus(bool on)
{
    CHECK(on || reset == PORT_RELEASED);
    driven = on;
}

uint8_t port_read_lines(void)
{
    return (uint8_t)now & 15;
}

void port_power(enum port_level level)
{
    CHECK((BRIDGE_ABILITIES & 4) && level <= PORT_RELEASED);
    power = level;
}

static uint32_t spi_hertz;

uint32_t port_spi_clock(uint32_t hertz)
{
    CHECK(hertz != 0);
    if (hertz < BRIDGE_SLOWEST_SPI)
        return 0;
    spi_hertz = hertz < BRIDGE_FASTEST_SPI ? hertz : BRIDGE_FASTEST_SPI;
    return spi_hertz;
}

// What comes back: the byte that was sent, changed by this.
static uint8_t board_says;
static bool on_its_way;
static uint8_t came;

static void exchange(uint8_t byte)
{
    CHECK(spi_hertz != 0);
    came = byte ^ board_says;
    now += 8000000 / spi_hertz;
    bytes_moved++;
    lose_patience();
    if (spi_hertz < 10000)
        bridge_pump();
}

void port_spi_start(uint8_t byte)
{
    CHECK(!on_its_way);
    on_its_way = true;
    exchange(byte);
}

uint8_t port_spi_next(uint8_t byte)
{
    CHECK(on_its_way);
    uint8_t before = came;
    exchange(byte);
    return before;
}

uint8_t port_spi_last(void)
{
    CHECK(on_its_way);
    on_its_way = false;
    return came;
}

bool port_clock_output(uint32_t hertz)
{
    CHECK(BRIDGE_ABILITIES & 2);
    clock_runs = hertz >= 1000;
    return hertz == 0 || clock_runs;
}

bool port_supply(uint16_t *millivolts)
{
    CHECK(BRIDGE_ABILITIES & 1);
    *millivolts = (uint16_t)now;
    return board_says & 1;
}

// ---- Scripts ----

static void work(uint32_t steps)
{
    for (; steps > 0; steps--) {
        be_patient();
        bridge_step();
        CHECK(!on_its_way);
    }
}

struct script {
    const uint8_t *at, *end;
};

static uint8_t next(struct script *script)
{
    return script->at < script->end ? *script->at++ : 0;
}

static void obey(struct script *script)
{
    uint8_t what = next(script), frame[2 + 1023], damage = 0;
    switch (what & 7) {
    case 0: // the bridge goes on for a while
        work(1 + next(script) % 32u);
        return;
    case 1: // raw bytes
        for (uint8_t count = next(script) & 63; count > 0; count--)
            put(next(script));
        return;
    case 2: // nothing happens for a while
        now += next(script) * 100000u;
        work(1);
        return;
    case 3: // the board
        board_says = next(script);
        grain = 1 + next(script) % 64u;
        return;
    case 4: // another session, or the same
        put_hello(what & 8 ? mark : ++mark);
        return;
    case 5: // a frame that is damaged
        damage = next(script);
        break;
    }
    // A frame: of any kind and number, or a request that is in its turn.
    frame[0] = what & 8 ? next(script) : RUN;
    frame[1] = what & 16 ? next(script) : expected++;
    uint32_t count = next(script) | (what & 32 ? (uint32_t)(next(script) & 3) << 8 : 0), n = 0;
    for (; n < count && script->at < script->end; n++)
        frame[2 + n] = next(script);
    put_frame(frame, 2 + n, damage);
}

static void open_session(void)
{
    give_up();
    for (uint32_t n = 0; opened != mark || gives_up; n++) {
        CHECK(n < 1000);
        work(1);
    }
}

// The bridge is idle, knows a session, and everything that it took is free again.
static void is_as_new(void)
{
    open_session();
    work(100);
    answers = 0;
    for (uint8_t n = 0; n < BRIDGE_WINDOW; n++)
        put_frame((uint8_t[]){RUN, n}, 2, 0);
    work(1000);
    CHECK(answers == BRIDGE_WINDOW);
    carried_out -= answers;
    now += 6000000;
    work(4);
    CHECK(reset == PORT_RELEASED && power == PORT_RELEASED && !driven && !clock_runs);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t count)
{
    static bool started;
    if (!started)
        bridge_start();
    started = true;
    grain = 16;
    board_says = 0;
    open_session();
    struct script script = {bytes, bytes + count};
    while (script.at < script.end)
        obey(&script);
    work(64);
    grain = 16;
    is_as_new();
    return 0;
}

#ifdef RANDOM_INPUTS
// Inputs from a seed: `core SEED COUNT`. Mostly operations that make sense, one after another in requests; some bytes are changed.
static uint64_t state, seed;

static uint32_t roll(uint32_t below)
{
    state ^= state << 13;
    state ^= state >> 7;
    state ^= state << 17;
    return (uint32_t)(state >> 32) % below;
}

static uint8_t input[4096], *to;

static void add(uint32_t byte)
{
    *to++ = (uint8_t)(roll(200) == 0 ? roll(256) : byte);
}

static void add_some(uint32_t count)
{
    while (count-- > 0)
        add(roll(256));
}

static void add_number(uint32_t number)
{
    if (number > 127)
        add(0x80 | (number & 127));
    add(number > 127 ? number >> 7 : number);
}

static void add_block(void)
{
    uint32_t size = roll(8) == 0 ? 128 + roll(400) : 4;
    add_number(size);
    add_some(size);
}

static void add_pattern(void)
{
    enum { COUNTER = 1, DATA, CAPTURE };
    uint32_t code = 0x10 + roll(4), length = 1 + roll(16), slots = roll(30) == 0 ? roll(16) : roll(4), each = 0;
    add(code);
    add((length - 1) << 4 | slots);
    for (uint32_t n = 0; n < length; n++)
        add(0);
    for (uint32_t n = 0; n < slots; n++) {
        uint32_t kind = n == 0 && code != 0x10 ? CAPTURE : COUNTER + roll(3), at = roll(20) == 0 ? length : n * (length / 4);
        each += kind == (code == 0x12 ? CAPTURE : DATA);
        if (roll(2) == 0) {
            add(kind << 4 | at);
        } else {
            add(0x80 | kind << 4);
            add(at * 8 + roll(3));
            add(kind == COUNTER ? 1 + roll(10) : 8);
        }
    }
    uint32_t repeat = each == 0 && roll(4) == 0 ? 128 + roll(600) : 1 + roll(20);
    add(roll(128));
    add_number(repeat);
    if (code == 0x13)
        add(1 + roll(9));
    add_some(each * repeat);
}

static void add_operation(void)
{
    switch (roll(8)) {
    case 0:
        add(0x01);
        add(roll(2) << 4 | roll(3));
        return;
    case 1:
        add(roll(2) == 0 ? 0x02 : 0x06);
        add(0x80 | roll(128));
        add(0x80 | roll(128));
        add(1 + roll(127));
        return;
    case 2:
        add(0x03);
        add_block();
        return;
    case 3:
        add(0x04);
        add_block();
        add(roll(4));
        add(roll(4));
        add(0);
        add(roll(128));
        return;
    case 4:
        add(0x05);
        add(roll(128));
        return;
    case 5:
        add(0x07 + roll(2));
        return;
    default:
        add_pattern();
    }
}

static void add_request(void)
{
    if (roll(2) == 0) {
        // CLEAR
        add(6 | 8);
        add(0x03);
        add(0);
    }
    add(6 | 32);
    uint8_t *count = to;
    to += 2;
    for (uint32_t more = roll(4); more > 0; more--)
        add_operation();
    uint32_t size = (uint32_t)(to - count - 2);
    count[0] = (uint8_t)size;
    count[1] = (uint8_t)(size >> 8);
}

int main(int count, char **arguments)
{
    if (count != 3)
        return 2;
    seed = strtoull(arguments[1], NULL, 0);
    for (uint64_t last = seed + strtoull(arguments[2], NULL, 0); seed < last; seed++) {
        state = (seed + 1) * 0x9E3779B97F4A7C15u;
        to = input;
        while (to < input + sizeof input - 1800) {
            if (roll(3) > 0)
                add_request();
            else
                add_some(1 + roll(4));
        }
        if (getenv("SHOW_SEED"))
            fprintf(stderr, "seed %llu\n", (unsigned long long)seed);
        LLVMFuzzerTestOneInput(input, (size_t)(to - input));
    }
    printf("%llu requests were carried out\n", (unsigned long long)carried_out);
    return 0;
}
#endif
