// Runs an image of the bridge for the ATmega328P at 16 MHz in libsimavr, and lets a test be its host and its board: see events.h. A tick is
// a CPU cycle. Built by tests/firmware/atmega328p.rs; a program of its own, so that the library's licence stays out of the product.
//
//   avr IMAGE.hex BAUD MILLIVOLTS
//
// BAUD is the line's, MILLIVOLTS the board's supply. Where the library is kinder than the chip, or wrong, this file corrects it:
// - it takes 100 us for every SPI byte: here as long as SPCR and SPSR say, and SPDR may not be written meanwhile;
// - it counts a parity bit in every UART frame;
// - its 64-byte input queue hides a receiver that is too slow, and it forgets to tell of bytes in it: here a byte is lost when three wait
//   already, as many as the chip's buffer and its shift register hold;
// - entering an interrupt takes no time: here 4 cycles;
// - its queue of interrupts keeps those that were cleared, and one that finds it full is never served: here they are taken out.
// The clock output is what comes out of PB1, measured between its edges; SCK below what the SPI unit can do edge by edge, too.

#include "events.h"

#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_spi.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_hex.h>
#include <simavr/sim_interrupts.h>
#include <stdarg.h>
#include <stdbool.h>
#include <string.h>

// Data-space addresses.
enum { SPCR = 0x4C, SPSR = 0x4D, SPDR = 0x4E };
enum { UCSR0A = 0xC0, UCSR0B = 0xC1, UBRR0L = 0xC4, UBRR0H = 0xC5, UDR0 = 0xC6 };
enum { SPE = 0x40, MSTR = 0x10, SPI2X = 0x01, U2X = 0x02, RXEN = 0x10 };
enum { RESET = 0x01, CLOCK = 0x02, MOSI = 0x08, MISO = 0x10, SCK = 0x20 };
enum { SECOND = 16000000 };

static avr_t *avr;
static avr_uart_t *uart;
static avr_irq_t *pins;
static uint64_t until;
static uint32_t line_ticks, lost;

static void fault(const char *what)
{
    fprintf(stderr, "%s (pc 0x%04x, cycle %llu)\n", what, avr->pc, (unsigned long long)avr->cycle);
    exit(1);
}

static void log_nothing(avr_t *of, const int level, const char *format, va_list arguments)
{
    (void)of, (void)level, (void)format, (void)arguments;
}

static void sleep_nothing(avr_t *of, avr_cycle_count_t cycles)
{
    (void)of, (void)cycles;
}

// ---- Interrupts ----

static void on_interrupt(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)unused;
    if (value != 0)
        avr->cycle += 4;
}

// Firmware that looks at flags while interrupts are off clears many.
static void forget_cleared_interrupts(void)
{
    avr_int_pending_t *queue = &avr->interrupts.pending;
    avr_int_vector_p kept[avr_int_pending_fifo_size];
    uint16_t count = 0;
    for (uint16_t at = queue->read; at != queue->write; at = (at + 1) % avr_int_pending_fifo_size) {
        avr_int_vector_p vector = queue->buffer[at];
        bool again = false;
        for (uint16_t n = 0; n < count; n++)
            again |= kept[n] == vector;
        if (vector->pending && !again)
            kept[count++] = vector;
    }
    memcpy(queue->buffer, kept, count * sizeof *kept);
    queue->read = 0;
    queue->write = count;
    if (count == 0 && avr->interrupt_state > 0)
        avr->interrupt_state = 0;
}

// ---- UART ----

static uint32_t chip_ticks(void)
{
    uint32_t divisor = (uint32_t)(avr->data[UBRR0H] << 8 | avr->data[UBRR0L]) + 1;
    return 10 * divisor * (avr->data[UCSR0A] & U2X ? 8 : 16);
}

static void on_sent(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)unused;
    static uint64_t arrived;
    if (arrived < avr->cycle)
        arrived = avr->cycle;
    arrived += uart->cycles_per_byte;
    tell('B', (uint8_t)value, 0, arrived);
    if (value == 0)
        until = avr->cycle;
}

// The chip's buffer of two, and its shift register.
static uint8_t received[3], received_count;

static uint8_t read_received(avr_t *of, avr_io_addr_t address, void *unused)
{
    (void)address, (void)unused;
    uint8_t byte = received[0];
    avr_clear_interrupt(of, &uart->rxc);
    avr_regbit_clear(of, uart->rxc.raised);
    if (received_count == 0)
        fault("UDR0 is read while nothing is there");
    memmove(received, received + 1, --received_count);
    if (received_count > 0)
        avr_raise_interrupt(of, &uart->rxc);
    return byte;
}

static avr_cycle_count_t feed_line(avr_t *of, avr_cycle_count_t when, void *unused)
{
    (void)of, (void)when, (void)unused;
    uint8_t byte = next_on_line(line_ticks);
    forget_cleared_interrupts();
    if (avr->data[UCSR0B] & RXEN) {
        if (received_count == sizeof received) {
            lost++;
        } else {
            received[received_count++] = byte;
            avr_raise_interrupt(avr, &uart->rxc);
        }
    }
    return line_count > 0 ? line_due : 0;
}

// ---- Lines ----

static uint8_t direction, output;

// Edges are told a few cycles late, after the instruction in hand, so the period is the mean of some.
enum { PERIODS = 32 };
static uint64_t first_edge, last_edge;
static uint32_t edges, clock_period;

static void tell_clock(uint32_t period)
{
    if (period == clock_period)
        return;
    clock_period = period;
    tell('C', 0, period, avr->cycle);
}

static void clock_edge(void)
{
    last_edge = avr->cycle;
    if (edges == 0)
        first_edge = last_edge;
    if (edges == 2 * PERIODS)
        tell_clock((uint32_t)((last_edge - first_edge + PERIODS / 2) / PERIODS));
    edges = edges == 2 * PERIODS ? 0 : edges + 1;
}

static avr_cycle_count_t watch_clock(avr_t *of, avr_cycle_count_t when, void *unused)
{
    (void)of, (void)unused;
    if (clock_period != 0 && avr->cycle - last_edge > clock_period + 100) {
        edges = 0;
        tell_clock(0);
    }
    return when + 1600;
}

static void tell_reset(void)
{
    static uint8_t before = 2;
    uint8_t now = !(direction & RESET) ? 2 : output & RESET ? 1 : 0;
    if (now == before)
        return;
    before = now;
    if (now == 2)
        avr_raise_irq(pins + 0, 1); // the board's pull-up
    tell('L', now, 0, avr->cycle);
}

static void on_direction(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)unused;
    direction = (uint8_t)value;
    tell_reset();
}

static void on_output(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)unused;
    bool edge = (output ^ value) & direction & SCK;
    output = (uint8_t)value;
    tell_reset();
    if (edge)
        avr_raise_irq(pins + 4, edge_on_bus(output & SCK, output & MOSI, avr->cycle));
}

static void on_clock_pin(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)unused;
    static uint32_t level;
    (void)irq;
    // Bit 8 marks that the pin was written, not that it changed.
    if ((value & 1) != level && (direction & CLOCK))
        clock_edge();
    level = value & 1;
}

// ---- SPI ----

static uint8_t spi_came;
static bool spi_busy;

static uint32_t spi_divider(void)
{
    static const uint32_t dividers[] = {4, 16, 64, 128};
    uint32_t divider = dividers[avr->data[SPCR] & 3];
    return avr->data[SPSR] & SPI2X ? divider / 2 : divider;
}

static avr_cycle_count_t spi_done(avr_t *of, avr_cycle_count_t when, void *param)
{
    (void)when;
    avr_spi_t *spi = param;
    spi_busy = false;
    spi->input_data_register = spi_came;
    avr_raise_irq(pins + 4, spi_came & 1);
    avr_raise_interrupt(of, &spi->spi);
    return 0;
}

static void spi_write(avr_t *of, avr_io_addr_t address, uint8_t value, void *param)
{
    avr_spi_t *spi = param;
    (void)address;
    if ((avr->data[SPCR] & (SPE | MSTR)) != (SPE | MSTR))
        fault("SPDR is written while the SPI unit is off");
    if (spi_busy)
        fault("SPDR is written while a byte is on its way");
    avr_clear_interrupt(of, &spi->spi);
    forget_cleared_interrupts();
    spi_busy = true;
    spi_came = exchange(value, spi_divider(), avr->cycle);
    avr_cycle_timer_register(of, 8 * spi_divider(), spi_done, spi);
}

// ---- Running ----

static void load(const char *path)
{
    uint32_t size, start;
    uint8_t *image = read_ihex_file(path, &size, &start);
    if (!image || start != 0 || size > avr->flashend + 1)
        fault("the image cannot be read");
    memset(avr->flash, 0xFF, avr->flashend + 1);
    memcpy(avr->flash, image, size);
    avr->codeend = avr->flashend;
}

static void connect(void)
{
    uint32_t no_flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &no_flags);
    uart = avr->io[UDR0 - 32].w.param;
    avr->io[UDR0 - 32].r.c = read_received;
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_sent, NULL);
    avr->io[SPDR - 32].w.c = spi_write;
    pins = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0);
    avr_irq_register_notify(pins + IOPORT_IRQ_DIRECTION_ALL, on_direction, NULL);
    avr_irq_register_notify(pins + IOPORT_IRQ_REG_PORT, on_output, NULL);
    avr_irq_register_notify(pins + 1, on_clock_pin, NULL);
    avr_irq_register_notify(avr_get_interrupt_irq(avr, AVR_INT_ANY) + AVR_INT_IRQ_RUNNING, on_interrupt, NULL);
    avr_raise_irq(pins + 0, 1);
    avr_raise_irq(pins + 4, 1);
}

static void step(void)
{
    int state = avr_run(avr);
    if (state == cpu_Crashed || state == cpu_Done)
        fault("the CPU stopped");
}

static void obey(void)
{
    until = next_run(avr->cycle, line_ticks);
    if (line_count > 0 && avr_cycle_timer_status(avr, feed_line, NULL) == 0)
        avr_cycle_timer_register(avr, line_due > avr->cycle ? line_due - avr->cycle : 1, feed_line, NULL);
}

int main(int count, char **arguments)
{
    if (count != 4) {
        fprintf(stderr, "usage: avr IMAGE.hex BAUD MILLIVOLTS\n");
        return 2;
    }
    avr_global_logger_set(log_nothing);
    avr = avr_make_mcu_by_name("atmega328p");
    avr_init(avr);
    avr->frequency = SECOND;
    avr->vcc = avr->avcc = avr->aref = 5000;
    avr->sleep = sleep_nothing;
    line_ticks = (uint32_t)((10ull * SECOND + strtoul(arguments[2], NULL, 0) / 2) / strtoul(arguments[2], NULL, 0));
    load(arguments[1]);
    connect();
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0), (uint32_t)strtoul(arguments[3], NULL, 0));
    obey();
    while (!(avr->data[UCSR0B] & RXEN))
        step();
    uart->cycles_per_byte = chip_ticks();
    if (labs((long)uart->cycles_per_byte - (long)line_ticks) * 40 > (long)line_ticks)
        fault("the chip's baud rate is not the line's");
    avr_cycle_timer_register(avr, 1600, watch_clock, NULL);
    for (;;) {
        while (avr->cycle < until)
            step();
        if (uart->cycles_per_byte != chip_ticks())
            fault("the library has changed its mind about the baud rate");
        tell('T', 0, lost, avr->cycle);
        obey();
    }
}
