// What a harness (a program that runs the bridge's firmware) and the test that started it say to each other: records of 16 bytes over
// pipes. Time is the firmware's own, in ticks of 62.5 ns, and stands still while nobody runs it.
//
//   from the test    'D'  `number` bytes follow: put them on the line to the bridge, behind those that are there, from now on
//                    'R'  run until `at`, or until the bridge has sent a zero byte
//   from the harness 'S'  an SPI byte `value` begins; `number` ticks a period of SCK. The test answers with one byte, what comes back
//                    'E'  SCK has changed without the SPI unit: bit 0 of `value` is SCK, bit 1 MOSI. The test answers with MISO, 0 or 1
//                    'L'  reset is now `value`: 0 low, 1 high, 2 released
//                    'C'  the clock output has a period of `number` ticks; 0: it stands still
//                    'B'  the bridge has sent `value`, which has arrived `at`
//                    'T'  what 'R' asked for has been done; it is `at`, and `number` bytes from the line were lost for want of room so far

#ifndef EVENTS_H
#define EVENTS_H

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

struct record {
    uint8_t kind, value;
    uint16_t unused;
    uint32_t number;
    uint64_t at;
};

static ssize_t read_some(void *bytes, size_t count)
{
    // The test answers soon, and sleeping until then takes longer than looking for a while.
    static bool looks;
    if (!looks)
        looks = fcntl(0, F_SETFL, O_NONBLOCK) == 0;
    for (int times = 1;; times++) {
        ssize_t now = read(0, bytes, count);
        if (now >= 0 || errno != EAGAIN)
            return now;
        if (times > 30)
            poll(&(struct pollfd){.fd = 0, .events = POLLIN}, 1, -1);
    }
}

static void read_all(void *bytes, size_t count)
{
    for (size_t done = 0; done < count;) {
        ssize_t now = read_some((uint8_t *)bytes + done, count - done);
        if (now <= 0)
            exit(0); // the test is over
        done += (size_t)now;
    }
}

// Events that need no answer are written with the next that does.
static struct record unsent[256];
static size_t unsent_count;

static void tell(uint8_t kind, uint8_t value, uint32_t number, uint64_t at)
{
    unsent[unsent_count++] = (struct record){kind, value, 0, number, at};
    if (kind != 'S' && kind != 'E' && kind != 'T' && unsent_count < sizeof unsent / sizeof *unsent)
        return;
    size_t size = unsent_count * sizeof *unsent;
    if (write(1, unsent, size) != (ssize_t)size)
        exit(0);
    unsent_count = 0;
}

static uint8_t exchange(uint8_t sent, uint32_t period, uint64_t at)
{
    tell('S', sent, period, at);
    uint8_t back;
    read_all(&back, 1);
    return back;
}

static inline uint8_t edge_on_bus(bool sck, bool mosi, uint64_t at)
{
    tell('E', (uint8_t)(sck | mosi << 1), 0, at);
    uint8_t miso;
    read_all(&miso, 1);
    return miso;
}

// Bytes on the line to the bridge, and when the next has arrived.
static uint8_t line[1 << 16];
static size_t line_first, line_count;
static uint64_t line_due;

// Obeys the test until it says how far to run.
static uint64_t next_run(uint64_t now, uint32_t ticks_a_byte)
{
    for (;;) {
        struct record record;
        read_all(&record, sizeof record);
        if (record.kind == 'R')
            return record.at;
        if (record.kind != 'D' || line_count + record.number > sizeof line) {
            fprintf(stderr, "the harness got a record that makes no sense\n");
            exit(1);
        }
        if (line_count == 0 && line_due < now + ticks_a_byte)
            line_due = now + ticks_a_byte;
        for (uint32_t n = 0; n < record.number; n++, line_count++)
            read_all(&line[(line_first + line_count) % sizeof line], 1);
    }
}

static uint8_t next_on_line(uint32_t ticks_a_byte)
{
    uint8_t byte = line[line_first];
    line_first = (line_first + 1) % sizeof line;
    line_count--;
    line_due += ticks_a_byte;
    return byte;
}

#endif
