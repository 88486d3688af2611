// The bridge's core as a program on the host, in a time of its own: see ../events.h. Every look at the clock takes a microsecond, every SPI
// byte as long as its clock says, every byte on the line 160 ticks (1 Mbaud).

#include "port.h"

#include "../events.h"

enum { TICKS_A_MICROSECOND = 16, TICKS_A_BYTE = 160, TICKS_A_SECOND = 16000000 };

static uint64_t now, until;
static uint32_t spi_period = TICKS_A_SECOND / BRIDGE_SLOWEST_SPI;
static uint8_t came;

static const uint8_t *sending;
static uint16_t sending_count;
static uint64_t sent_until;

static bool reset_high = true;

static void pass(uint64_t ticks)
{
    now += ticks;
    while (now >= until) {
        tell('T', 0, 0, now);
        until = next_run(now, TICKS_A_BYTE);
    }
}

void port_pump(void)
{
    while (line_count > 0 && line_due <= now)
        bridge_receive(next_on_line(TICKS_A_BYTE));
    while (sending_count > 0 && sent_until + TICKS_A_BYTE <= now) {
        sent_until += TICKS_A_BYTE;
        uint8_t byte = *sending++;
        sending_count--;
        tell('B', byte, 0, sent_until);
        if (byte == 0)
            until = now;
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
    sending = bytes;
    sending_count = count;
    sent_until = now;
}

bool port_sending(void)
{
    pass(1);
    port_pump();
    return sending_count > 0;
}

uint32_t port_microseconds(void)
{
    pass(TICKS_A_MICROSECOND);
    return (uint32_t)(now / TICKS_A_MICROSECOND);
}

uint32_t port_start_number(void)
{
    return 7;
}

uint16_t port_pin_millivolts(void)
{
    return 5000;
}

void port_reset(enum port_level level)
{
    reset_high = level != PORT_LOW;
    tell('L', (uint8_t)level, 0, now);
}

void port_drive_bus(bool driven)
{
    (void)driven;
}

uint8_t port_read_lines(void)
{
    return (uint8_t)(reset_high | (came & 1) << 3);
}

void port_power(enum port_level level)
{
    (void)level;
}

uint32_t port_spi_clock(uint32_t hertz)
{
    if (hertz < BRIDGE_SLOWEST_SPI)
        return 0;
    if (hertz > BRIDGE_FASTEST_SPI)
        hertz = BRIDGE_FASTEST_SPI;
    spi_period = (TICKS_A_SECOND + hertz - 1) / hertz;
    return TICKS_A_SECOND / spi_period;
}

void port_spi_start(uint8_t byte)
{
    came = exchange(byte, spi_period, now);
    pass(8 * spi_period);
    if (spi_period > TICKS_A_SECOND / 10000)
        bridge_pump();
}

uint8_t port_spi_next(uint8_t byte)
{
    uint8_t before = came;
    port_spi_start(byte);
    return before;
}

uint8_t port_spi_last(void)
{
    return came;
}

bool port_clock_output(uint32_t hertz)
{
    tell('C', 0, hertz == 0 ? 0 : (TICKS_A_SECOND + hertz - 1) / hertz, now);
    return true;
}

bool port_supply(uint16_t *millivolts)
{
    *millivolts = 4980;
    return true;
}

int main(void)
{
    until = next_run(now, TICKS_A_BYTE);
    bridge_start();
    for (;;)
        bridge_step();
}
