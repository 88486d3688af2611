#include "operation.h"

#include "port.h"
#include "session.h"

enum { LINE = 1, SPI_CLOCK, TRANSFER, POLL, DELAY, CLOCK_OUTPUT, MEASURE_SUPPLY, READ_LINES };
enum { REPLY_DONE = 1, REPLY_BYTES, REPLY_CRC, REPLY_CLOCK, REPLY_SUPPLY, REPLY_SUPPLY_UNKNOWN, REPLY_LINES };
enum { HAS_SUPPLY = 1, HAS_CLOCK = 2, HAS_POWER = 4 };

// Bytes that a REPLIES frame has for its body.
enum { BODY = BRIDGE_FRAME - 4 };

struct operation {
    uint8_t code;
    uint8_t line;
    uint8_t index, mask, value; // of a poll
    uint16_t size;              // of a block
    const uint8_t *block;
    uint32_t number; // hertz or microseconds
    struct pattern pattern;
};

static bool driven;

// ---- Reading ----

static void read_block(struct reader *reader, struct operation *operation)
{
    uint32_t size = read_number(reader);
    if (size > BRIDGE_BLOCK)
        reader->wrong = true;
    operation->size = (uint16_t)size;
    operation->block = read_bytes(reader, size);
}

static void read_operation(struct reader *reader, struct operation *operation)
{
    operation->code = read_byte(reader);
    switch (operation->code) {
    case LINE:
        operation->line = read_byte(reader);
        break;
    case SPI_CLOCK:
    case DELAY:
    case CLOCK_OUTPUT:
        operation->number = read_number(reader);
        break;
    case TRANSFER:
        read_block(reader, operation);
        break;
    case POLL:
        read_block(reader, operation);
        operation->index = read_byte(reader);
        operation->mask = read_byte(reader);
        operation->value = read_byte(reader);
        operation->number = read_number(reader);
        break;
    case MEASURE_SUPPLY:
    case READ_LINES:
        break;
    case PATTERN_DISCARD:
    case PATTERN_RETURN:
    case PATTERN_COMPARE:
    case PATTERN_CRC:
        pattern_read(reader, operation->code, &operation->pattern);
        break;
    default:
        reader->wrong = true;
    }
}

static bool check(const struct operation *operation)
{
    switch (operation->code) {
    case LINE:
        return operation->line >> 4 <= 1 && (operation->line & 0x0F) <= PORT_RELEASED;
    case SPI_CLOCK:
        return operation->number != 0;
    case POLL:
        return operation->index < operation->size;
    case PATTERN_DISCARD:
    case PATTERN_RETURN:
    case PATTERN_COMPARE:
    case PATTERN_CRC:
        return pattern_check(&operation->pattern);
    default:
        return true;
    }
}

// The most that its reply can take.
static uint16_t reply_size(const struct operation *operation)
{
    switch (operation->code) {
    case SPI_CLOCK:
        return 1 + number_size(operation->number);
    case TRANSFER:
    case POLL:
        return 1 + number_size(operation->size) + operation->size;
    case MEASURE_SUPPLY:
        return 1 + 3;
    case READ_LINES:
        return 2;
    case PATTERN_RETURN:
    case PATTERN_CRC: {
        uint16_t size = pattern_reply_size(&operation->pattern);
        return 1 + number_size(size) + size;
    }
    default:
        return 1;
    }
}

bool operations_check(const uint8_t *body, const uint8_t *end, uint16_t *index)
{
    struct reader reader = {body, end, false};
    struct operation operation;
    uint16_t replies = 0;
    for (*index = 0; reader.at != end; ++*index) {
        read_operation(&reader, &operation);
        if (reader.wrong || !check(&operation))
            return false;
        replies += reply_size(&operation);
        if (replies > BODY)
            return false;
    }
    return true;
}

// ---- Carrying out ----

static enum outcome fail(struct failure *failure, enum reason reason)
{
    failure->bytes[0] = (uint8_t)reason;
    failure->length = 1;
    return FAILED_AT;
}

static void drive_bus(bool on)
{
    if (driven != on)
        port_drive_bus(on);
    driven = on;
}

static enum outcome carry_out_line(uint8_t line, struct failure *failure)
{
    enum port_level level = (enum port_level)(line & 0x0F);
    if (line >> 4 == 1) {
        if (!(BRIDGE_ABILITIES & HAS_POWER))
            return fail(failure, NOT_SUPPORTED);
        port_power(level);
    } else if (level == PORT_RELEASED) {
        port_reset(level);
        drive_bus(false);
    } else {
        drive_bus(true);
        port_reset(level);
    }
    return DONE;
}

static uint32_t set_spi_clock(uint32_t hertz)
{
    uint32_t clock = port_spi_clock(hertz);
    if (clock != 0)
        session_set_pace(clock);
    return clock;
}

void board_let_go(void)
{
    port_reset(PORT_RELEASED);
    port_drive_bus(false);
    driven = false;
    if (BRIDGE_ABILITIES & HAS_CLOCK)
        port_clock_output(0);
    if (BRIDGE_ABILITIES & HAS_POWER)
        port_power(PORT_RELEASED);
    set_spi_clock(BRIDGE_SLOWEST_SPI);
}

static void transfer(const uint8_t *send, uint8_t *receive, uint16_t count)
{
    if (count == 0)
        return;
    port_spi_start(*send++);
    for (; count > 1; count--) {
        session_passed(1);
        *receive++ = port_spi_next(*send++);
    }
    *receive = port_spi_last();
}

static enum outcome poll(const struct operation *operation, uint8_t *received, struct failure *failure)
{
    uint32_t last = port_microseconds(), left = operation->number;
    for (;;) {
        transfer(operation->block, received, operation->size);
        if ((received[operation->index] & operation->mask) == operation->value)
            return DONE;
        uint32_t now = port_microseconds(), passed = now - last;
        if (passed >= left)
            break;
        left -= passed;
        last = now;
        bridge_pump();
        if (session_stops())
            return STOPPED;
    }
    failure->bytes[0] = POLL_TIMED_OUT;
    failure->bytes[1] = received[operation->index];
    failure->length = 2;
    return FAILED_AT;
}

// False when the session stops it.
static bool wait(uint32_t *last, uint32_t left)
{
    for (;;) {
        uint32_t now = port_microseconds(), passed = now - *last;
        if (passed >= left) {
            *last += left;
            return true;
        }
        left -= passed;
        *last = now;
        bridge_pump();
        if (session_stops())
            return false;
    }
}

static enum outcome delay(uint32_t time)
{
    // The clock may be as coarse as 100 us, so that the first of them is not a whole one.
    uint32_t last = port_microseconds();
    return wait(&last, time) && wait(&last, 100) ? DONE : STOPPED;
}

static enum outcome carry_out_one(const struct operation *operation, uint8_t **to, struct failure *failure)
{
    uint8_t *at = *to;
    enum outcome outcome = DONE;
    *at = REPLY_DONE;
    switch (operation->code) {
    case LINE:
        outcome = carry_out_line(operation->line, failure);
        break;
    case SPI_CLOCK: {
        uint32_t clock = set_spi_clock(operation->number);
        if (clock == 0)
            return fail(failure, NOT_SUPPORTED);
        *at = REPLY_CLOCK;
        *to = write_number(at + 1, clock);
        return DONE;
    }
    case TRANSFER:
    case POLL:
        *at = REPLY_BYTES;
        at = write_number(at + 1, operation->size);
        *to = at + operation->size;
        if (operation->code == POLL)
            return poll(operation, at, failure);
        transfer(operation->block, at, operation->size);
        return DONE;
    case DELAY:
        outcome = delay(operation->number);
        break;
    case CLOCK_OUTPUT:
        if (!(BRIDGE_ABILITIES & HAS_CLOCK) || !port_clock_output(operation->number))
            return fail(failure, NOT_SUPPORTED);
        break;
    case MEASURE_SUPPLY: {
        uint16_t millivolts;
        if ((BRIDGE_ABILITIES & HAS_SUPPLY) && port_supply(&millivolts)) {
            *at = REPLY_SUPPLY;
            *to = write_number(at + 1, millivolts);
            return DONE;
        }
        *at = REPLY_SUPPLY_UNKNOWN;
        break;
    }
    case READ_LINES:
        *at++ = REPLY_LINES;
        *at = port_read_lines();
        break;
    default:
        if (operation->code == PATTERN_RETURN || operation->code == PATTERN_CRC) {
            *at = operation->code == PATTERN_RETURN ? REPLY_BYTES : REPLY_CRC;
            *to = write_number(at + 1, pattern_reply_size(&operation->pattern));
            return pattern_carry_out(&operation->pattern, to, failure);
        }
        outcome = pattern_carry_out(&operation->pattern, to, failure);
    }
    *to = at + 1;
    return outcome;
}

enum outcome operations_carry_out(const uint8_t *body, const uint8_t *end, uint8_t **at, uint16_t *index, struct failure *failure)
{
    struct reader reader = {body, end, false};
    struct operation operation;
    for (*index = 0; reader.at != end; ++*index) {
        read_operation(&reader, &operation);
        enum outcome outcome = carry_out_one(&operation, at, failure);
        if (outcome != DONE)
            return outcome;
        // A look at what came would come before the next operation; while the board works on this one there is time for it.
        session_meanwhile();
        if (session_stops())
            return STOPPED;
    }
    return DONE;
}
