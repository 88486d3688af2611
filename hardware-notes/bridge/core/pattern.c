// Patterns, carried out while the bus is never idle: what a byte of the next transfer needs is done while one of this transfer is on its
// way.
//
// Each slot becomes a piece of work that is due while a certain byte of the template is on its way: a counter or data slot once its last
// byte has left, a capture slot once the byte behind its last one has left. A capture of the template's last byte is due early in the
// transfer that follows. Data and captured bytes keep the order of the slots, so one that could be done earlier than its forerunner waits
// for it.

#include "pattern.h"

#include "operation.h"
#include "outbox.h"
#include "port.h"
#include "session.h"

#ifndef PORT_CRC32
static const uint32_t crc32_of_four_bits[16] = {
    0x00000000, 0x1DB71064, 0x3B6E20C8, 0x26D930AC, 0x76DC4190, 0x6B6B51F4, 0x4DB26158, 0x5005713C,
    0xEDB88320, 0xF00F9344, 0xD6D6A3E8, 0xCB61B38C, 0x9B64C2B0, 0x86D3D2D4, 0xA00AE278, 0xBDBDF21C,
};

static uint32_t port_crc32(uint32_t crc, uint8_t byte)
{
    crc ^= byte;
    crc = crc >> 4 ^ crc32_of_four_bits[crc & 0x0F];
    return crc >> 4 ^ crc32_of_four_bits[crc & 0x0F];
}
#endif

enum { COUNTER = 1, DATA, CAPTURE };
enum { MOST_SLOTS = 8, LONGEST = 16 };

struct place {
    uint8_t kind, first, width; // in bits
};

static struct place read_place(struct reader *reader)
{
    struct place place;
    uint8_t byte = read_byte(reader);
    place.kind = byte >> 4 & 7;
    place.first = (uint8_t)((byte & 0x0F) * 8);
    place.width = 8;
    if (byte & 0x80) {
        if (byte & 0x0F)
            reader->wrong = true;
        place.first = read_byte(reader);
        place.width = read_byte(reader);
    }
    return place;
}

void pattern_read(struct reader *reader, uint8_t code, struct pattern *pattern)
{
    uint8_t sizes = read_byte(reader);
    pattern->code = code;
    pattern->length = (uint8_t)((sizes >> 4) + 1);
    pattern->slot_count = sizes & 0x0F;
    pattern->template = read_bytes(reader, pattern->length);
    pattern->slots = reader->at;
    pattern->data_slots = pattern->captures = 0;
    if (pattern->slot_count > MOST_SLOTS)
        reader->wrong = true;
    for (uint8_t n = 0; n < pattern->slot_count && !reader->wrong; n++) {
        uint8_t kind = read_place(reader).kind;
        if (kind == DATA)
            pattern->data_slots++;
        else if (kind == CAPTURE)
            pattern->captures++;
        else if (kind != COUNTER)
            reader->wrong = true;
    }
    pattern->first = read_number(reader);
    pattern->repeat = read_number(reader);
    pattern->every = code == PATTERN_CRC ? read_number(reader) : 0;
    uint8_t each = code == PATTERN_COMPARE ? pattern->captures : pattern->data_slots;
    if (each > 0 && pattern->repeat > BRIDGE_BLOCK)
        reader->wrong = true;
    pattern->data_size = each > 0 && !reader->wrong ? pattern->repeat * each : 0;
    if (pattern->data_size > BRIDGE_BLOCK)
        reader->wrong = true;
    pattern->data = read_bytes(reader, pattern->data_size);
}

// ---- Checking ----

static bool bit(const uint8_t *bytes, uint8_t at)
{
    return bytes[at >> 3] >> (7 - (at & 7)) & 1;
}

static bool check_places(const struct pattern *pattern)
{
    struct reader reader = {pattern->slots, pattern->data, false};
    uint8_t taken[LONGEST] = {0};
    for (uint8_t n = 0; n < pattern->slot_count; n++) {
        struct place place = read_place(&reader);
        if (place.kind == COUNTER ? place.width < 1 || place.width > 32 : place.width != 8)
            return false;
        if (place.first + place.width > pattern->length * 8)
            return false;
        if (place.kind == CAPTURE)
            continue;
        for (uint8_t at = place.first; at < place.first + place.width; at++) {
            if (bit(pattern->template, at) || bit(taken, at))
                return false;
            taken[at >> 3] |= (uint8_t)(0x80 >> (at & 7));
        }
    }
    return true;
}

// Values of the CRC-32 reply; BRIDGE_BLOCK and more where they are too many.
static uint16_t crc_values(const struct pattern *pattern)
{
    uint64_t captured = (uint64_t)pattern->repeat * pattern->captures, covered = 0;
    uint16_t values = 0;
    for (; covered < captured && values < BRIDGE_BLOCK; values++)
        covered += pattern->every;
    return values;
}

uint16_t pattern_reply_size(const struct pattern *pattern)
{
    if (pattern->code == PATTERN_RETURN)
        return (uint16_t)(pattern->repeat * pattern->captures);
    return (uint16_t)(crc_values(pattern) * 4);
}

bool pattern_check(const struct pattern *pattern)
{
    if (pattern->repeat == 0 || pattern->first > UINT32_MAX - (pattern->repeat - 1) || !check_places(pattern))
        return false;
    switch (pattern->code) {
    case PATTERN_RETURN:
        return pattern->captures > 0 && pattern->repeat <= BRIDGE_BLOCK / pattern->captures;
    case PATTERN_COMPARE:
        return pattern->captures > 0 && pattern->data_slots == 0;
    case PATTERN_CRC:
        return pattern->captures > 0 && pattern->every > 0 && crc_values(pattern) <= BRIDGE_BLOCK / 4;
    default:
        return true;
    }
}

// ---- Carrying out ----

enum { COUNT, FILL, KEEP, MATCH, CHECKSUM, NEVER };

// A piece of work. `when`: it is due while a byte of that index or a later one is on its way.
struct work {
    uint8_t when, what;
    uint8_t *at;         // the (last) byte that it is about
    uint8_t shift;       // how far its lowest bit is from that of the byte
    uint8_t mask;        // the counter's bits in that byte
    uint8_t more;        // bytes of the counter before that one
    uint8_t first_mask;  // the counter's bits in the first of them
};

struct run {
    uint8_t now[LONGEST], came[LONGEST];
    struct work work[MOST_SLOTS + 1];
    uint8_t length, late; // `late` pieces at the beginning are about the transfer before
    bool differs;
    uint8_t found;
    const uint8_t *data;
    uint8_t *to;
    uint32_t crc, every, left; // `left` captured bytes until a value is complete
};

static void finish_crc(struct run *run)
{
    // Least significant byte last, as every number of four bytes; the value is the register inverted.
    run->to = write_u32(run->to, ~run->crc);
    run->crc = 0xFFFFFFFF;
    run->left = run->every;
}

// One more in the bits of a counter, the carry going towards the front.
static inline void count(const struct work *work)
{
    uint8_t *at = work->at, mask = work->mask, step = (uint8_t)(1 << work->shift);
    for (uint8_t more = work->more;; more--) {
        uint8_t bits = (uint8_t)(*at + step) & mask;
        *at = (uint8_t)((*at & ~mask) | bits);
        if (bits != 0 || more == 0)
            return;
        at--;
        step = 1;
        mask = more == 1 ? work->first_mask : 0xFF;
    }
}

static inline void fill(const struct work *work, uint8_t byte)
{
    uint8_t *at = work->at, shift = work->shift;
    if (shift == 0) {
        *at = byte;
        return;
    }
    *at = (uint8_t)((*at & ((1 << shift) - 1)) | byte << shift);
    at[-1] = (uint8_t)((at[-1] & (0xFF << shift)) | byte >> (8 - shift));
}

static inline uint8_t captured(const struct work *work)
{
    const uint8_t *at = work->at;
    return work->shift == 0 ? *at : (uint8_t)(at[-1] << (8 - work->shift) | *at >> work->shift);
}

static inline void do_work(struct run *run, const struct work *work)
{
    switch (work->what) {
    case COUNT:
        count(work);
        break;
    case FILL:
        fill(work, *run->data++);
        break;
    case KEEP:
        *run->to++ = captured(work);
        break;
    case MATCH:
        if (!run->differs) {
            run->found = captured(work);
            run->differs = run->found != *run->data++;
        }
        break;
    case CHECKSUM:
        run->crc = port_crc32(run->crc, captured(work));
        if (--run->left == 0)
            finish_crc(run);
        break;
    }
}

static void run_transfers(struct run *run, uint32_t times)
{
    const struct work *work = run->work + run->late;
    uint8_t length = run->length;
    port_spi_start(run->now[0]);
    for (;;) {
        for (uint8_t n = 1; n < length; n++) {
            for (; work->when < n; work++)
                do_work(run, work);
            run->came[n - 1] = port_spi_next(run->now[n]);
        }
        for (; work->when < length; work++)
            do_work(run, work);
        if (--times == 0)
            break;
        session_passed(length);
        if (session_stops())
            break;
        run->came[length - 1] = port_spi_next(run->now[0]);
        work = run->work;
    }
    run->came[length - 1] = port_spi_last();
    for (uint8_t n = 0; n < run->late; n++)
        do_work(run, run->work + n);
}

static uint8_t low_bits(uint8_t count)
{
    return (uint8_t)((1 << count) - 1);
}

static struct work work_of(struct run *run, const struct place *place, uint8_t code)
{
    static const uint8_t with_captures[] = {NEVER, KEEP, MATCH, CHECKSUM};
    uint8_t end = place->first + place->width, last = (uint8_t)(end - 1) >> 3, first = place->first >> 3;
    struct work work = {.when = last, .at = run->now + last, .shift = (uint8_t)(-end & 7), .more = last - first};
    if (place->kind == CAPTURE) {
        work.what = with_captures[code - PATTERN_DISCARD];
        work.at = run->came + last;
        work.when = last + 1;
    } else if (place->kind == DATA) {
        work.what = FILL;
    } else {
        work.what = COUNT;
        work.first_mask = low_bits((uint8_t)(8 - (place->first & 7)));
        work.mask = (uint8_t)((work.more == 0 ? work.first_mask : 0xFF) & ~low_bits(work.shift));
    }
    return work;
}

// The counter's bits in the first transfer.
static void set_counter(const struct work *work, uint32_t value)
{
    uint8_t *at = work->at;
    *at |= (uint8_t)(value << work->shift) & work->mask;
    value >>= 8 - work->shift;
    for (uint8_t more = work->more; more > 0; more--, value >>= 8)
        *--at |= (uint8_t)value & (more == 1 ? work->first_mask : 0xFF);
}

static void insert(struct run *run, uint8_t count, const struct work *work)
{
    uint8_t at = count;
    for (; at > 0 && run->work[at - 1].when > work->when; at--)
        run->work[at] = run->work[at - 1];
    run->work[at] = *work;
}

static void prepare(struct run *run, const struct pattern *pattern)
{
    struct reader reader = {pattern->slots, pattern->data, false};
    uint8_t filled_at = 0, captured_at = 0, count = 0;
    run->late = 0;
    for (uint8_t n = 0; n < pattern->slot_count; n++) {
        struct place place = read_place(&reader);
        struct work work = work_of(run, &place, pattern->code);
        if (work.what == NEVER)
            continue;
        if (work.what == COUNT) {
            set_counter(&work, pattern->first);
        } else if (work.what == FILL) {
            fill(&work, *run->data++);
            work.when = filled_at = work.when > filled_at ? work.when : filled_at;
        } else {
            work.when = captured_at = work.when > captured_at ? work.when : captured_at;
            if (work.when == pattern->length) {
                // Behind the transfer: before everything of the next, and behind those that wait there already.
                work.when = 0;
                for (uint8_t to = count; to > run->late; to--)
                    run->work[to] = run->work[to - 1];
                run->work[run->late++] = work;
                count++;
                continue;
            }
        }
        insert(run, count++, &work);
    }
    run->work[count].when = 0xFF;
}

// The last transfer prepares none behind it.
static void drop_sending(struct run *run)
{
    uint8_t to = 0;
    for (uint8_t from = 0; run->work[from].when != 0xFF; from++)
        if (run->work[from].what >= KEEP)
            run->work[to++] = run->work[from];
    run->work[to].when = 0xFF;
}

// ---- Plain patterns ----

// Most patterns have slots of whole bytes that stand in the template in their order. For them nothing is looked up in a list: each byte of
// the template has one source, and what comes back for it one use. So even a small processor sends them without a pause.

// A byte of the template: its value, and in the flags whether it CHANGES and where it comes from then (none of the four: the counter's
// highest byte); CAPTURES where what comes back for it is wanted, NO_TURN where that leaves no time for the port's turn.
enum { NEXT_DATA = 0x01, COUNTER_0 = 0x02, COUNTER_1 = 0x04, COUNTER_2 = 0x08, NO_TURN = 0x10, CAPTURES = 0x20, LAST = 0x40, CHANGES = 0x80 };

// Read one after another, as bytes.
struct step {
    uint8_t flags, value;
};

struct plain {
    struct step steps[LONGEST];
    uint8_t length;
    const uint8_t *data;
    uint8_t *to;
    uint16_t counter, counter_high;
    uint32_t crc;
};

// False where the pattern is not plain.
static bool prepare_plain(struct plain *plain, const struct pattern *pattern)
{
    if (pattern->code == PATTERN_COMPARE)
        return false;
    for (uint8_t n = 0; n < pattern->length; n++)
        plain->steps[n] = (struct step){0, pattern->template[n]};
    struct reader reader = {pattern->slots, pattern->data, false};
    static const uint8_t counters[] = {COUNTER_0, COUNTER_1, COUNTER_2, 0};
    uint8_t filled = 0, captured = 0;
    for (uint8_t n = 0; n < pattern->slot_count; n++) {
        struct place place = read_place(&reader);
        if ((place.first | place.width) & 7)
            return false;
        uint8_t at = place.first >> 3;
        struct step *step = &plain->steps[at];
        uint8_t *before = place.kind == CAPTURE ? &captured : &filled;
        if (place.kind == COUNTER) {
            for (uint8_t bytes = place.width >> 3; bytes > 0; bytes--)
                step++->flags |= CHANGES | counters[bytes - 1];
            continue;
        }
        if (at < *before)
            return false;
        *before = at + 1;
        if (place.kind == DATA)
            step->flags |= CHANGES | NEXT_DATA;
        else
            step->flags |= CAPTURES;
    }
    plain->length = pattern->length;
    struct step *last = &plain->steps[pattern->length - 1];
    last->flags |= LAST;
    // Never two in a row.
    for (struct step *step = plain->steps, *before = last; step <= last; before = step++)
        if ((step->flags & CAPTURES) && !(before->flags & CAPTURES))
            step->flags |= NO_TURN;
    plain->data = pattern->data;
    plain->crc = 0;
    plain->counter = (uint16_t)pattern->first;
    plain->counter_high = (uint16_t)(pattern->first >> 16);
    return true;
}

// The next byte to send; `at` moves to the step behind it.
#define NEXT_BYTE(byte, flags) \
    do { \
        flags = *at++; \
        byte = *at++; \
        if (flags & CHANGES) { \
            if (flags & COUNTER_1) \
                byte = (uint8_t)(counter >> 8); \
            else if (flags & NEXT_DATA) \
                byte = *data++; \
            else if (flags & COUNTER_0) \
                byte = (uint8_t)counter; \
            else \
                byte = (uint8_t)(flags & COUNTER_2 ? plain->counter_high : plain->counter_high >> 8); \
        } \
    } while (0)

#define USE_WHAT_CAME() \
    do { \
        if (code == PATTERN_RETURN && (before & CAPTURES)) \
            *to++ = came; \
        if (code == PATTERN_CRC && (before & CAPTURES)) \
            crc = port_crc32(crc, came); \
    } while (0)

// A burst of transfers. The bridge's speed depends on this loop: what it needs at every byte is in local variables, and so in registers.
static inline __attribute__((always_inline)) void run_plain(struct plain *plain, uint8_t times, uint8_t code, bool hurry)
{
    const uint8_t *at = (const uint8_t *)plain->steps, *data = plain->data;
    uint8_t *to = plain->to;
    uint16_t counter = plain->counter;
    uint32_t crc = code == PATTERN_CRC ? plain->crc : 0;
    uint8_t byte, came = 0, before = 0, now, next;
    struct port_burst burst;
    NEXT_BYTE(byte, now);
    hurry ? port_burst_start(&burst, byte) : port_spi_start(byte);
    for (;;) {
        // The byte with the flags `now` is on its way; `came` is what came for the one with the flags `before`.
        if (now & LAST) {
            if (++counter == 0)
                plain->counter_high++;
            if (--times == 0)
                break;
            at = (const uint8_t *)plain->steps;
        }
        NEXT_BYTE(byte, next);
        USE_WHAT_CAME();
        if (hurry && !(before & NO_TURN))
            port_burst_turn(&burst);
        before = now;
        now = next;
        came = hurry ? port_burst_next(&burst, byte) : port_spi_next(byte);
    }
    USE_WHAT_CAME();
    before = now;
    came = hurry ? port_burst_last(&burst) : port_spi_last();
    USE_WHAT_CAME();
    plain->data = data;
    plain->to = to;
    plain->counter = counter;
    if (code == PATTERN_CRC)
        plain->crc = crc;
}

// Each has a copy of its own, apart, so that the compiler keeps all of its loop in registers.
#define COPY_OF_RUN_PLAIN(name, code, hurry) \
    static __attribute__((noinline)) void name(struct plain *plain, uint8_t times) \
    { \
        run_plain(plain, times, code, hurry); \
    }

COPY_OF_RUN_PLAIN(discard, PATTERN_DISCARD, false)
COPY_OF_RUN_PLAIN(keep, PATTERN_RETURN, false)
COPY_OF_RUN_PLAIN(sum, PATTERN_CRC, false)
COPY_OF_RUN_PLAIN(hurried_discard, PATTERN_DISCARD, true)
COPY_OF_RUN_PLAIN(hurried_keep, PATTERN_RETURN, true)
COPY_OF_RUN_PLAIN(hurried_sum, PATTERN_CRC, true)

static void run_burst(struct plain *plain, uint8_t times, uint8_t code)
{
    bool hurry = port_hurries();
    if (code == PATTERN_DISCARD)
        hurry ? hurried_discard(plain, times) : discard(plain, times);
    else if (code == PATTERN_RETURN)
        hurry ? hurried_keep(plain, times) : keep(plain, times);
    else
        hurry ? hurried_sum(plain, times) : sum(plain, times);
}

static void run_plain_times(struct plain *plain, uint32_t times, uint8_t most, uint8_t code)
{
    while (times > 0 && !session_stops()) {
        uint8_t burst = most < times ? most : (uint8_t)times;
        times -= burst;
        run_burst(plain, burst, code);
        session_meanwhile();
    }
}

// False where the pattern is not plain, and nothing was done.
static bool carry_out_plain(const struct pattern *pattern, uint8_t **at)
{
    struct plain plain;
    if (pattern->code == PATTERN_CRC && pattern->every % pattern->captures != 0)
        return false;
    if (!prepare_plain(&plain, pattern))
        return false;
    plain.to = *at;
    uint8_t most = session_burst(pattern->length);
    // The answer to the request before goes out meanwhile.
    outbox_pump();
    if (pattern->code == PATTERN_CRC) {
        uint32_t rest = pattern->repeat, times = pattern->every / pattern->captures;
        for (; rest > 0 && !session_stops(); rest -= times) {
            times = times < rest ? times : rest;
            plain.crc = 0xFFFFFFFF;
            run_plain_times(&plain, times, most, PATTERN_CRC);
            plain.to = write_u32(plain.to, ~plain.crc);
        }
    } else {
        run_plain_times(&plain, pattern->repeat, most, pattern->code);
    }
    *at = plain.to;
    return true;
}

enum outcome pattern_carry_out(const struct pattern *pattern, uint8_t **at, struct failure *failure)
{
    if (carry_out_plain(pattern, at))
        return session_stops() ? STOPPED : DONE;
    struct run run = {.length = pattern->length, .data = pattern->data, .to = *at};
    run.crc = 0xFFFFFFFF;
    run.every = run.left = pattern->every;
    for (uint8_t n = 0; n < pattern->length; n++)
        run.now[n] = pattern->template[n];
    prepare(&run, pattern);

    uint32_t rest = pattern->repeat - 1;
    // A comparison looks at each transfer before it begins the next, so that none follows the one that differs.
    while (rest > 0 && !run.differs && !session_stops()) {
        uint32_t times = pattern->code == PATTERN_COMPARE ? 1 : rest;
        run_transfers(&run, times);
        rest -= times;
        session_meanwhile();
    }
    if (!run.differs && !session_stops()) {
        drop_sending(&run);
        run_transfers(&run, 1);
    }
    if (session_stops())
        return STOPPED;
    if (run.differs) {
        const uint8_t *expected = run.data - 1;
        failure->bytes[0] = DIFFERS;
        uint8_t *end = write_number(failure->bytes + 1, (uint32_t)(expected - pattern->data));
        *end++ = *expected;
        *end++ = run.found;
        failure->length = (uint8_t)(end - failure->bytes);
        return FAILED_AT;
    }
    if (pattern->code == PATTERN_CRC && run.left != run.every)
        finish_crc(&run);
    *at = run.to;
    return DONE;
}
