// Runs a flash image in libsimavr and lets a test talk to one of its USARTs. Built by tests/outside/emulator.rs with
// `cc -O2 boot.c -lsimavr`; a program of its own, so that the library's licence stays out of the product.
//
//   boot PART                                            `known`, `related` or `unknown`: whether the library has it, or a relative
//   boot PART HERTZ BAUD FLASH.bin RESET_AT NRWW USART
//
// RESET_AT is the byte address where reset starts, as the fuses say; NRWW that of the largest boot section, which is the NRWW section;
// USART a number. Where the registers are, the library's own tables say. One command a line on stdin, one reply a line on stdout:
//
//   run MICROSECONDS BYTES      runs until that much time has passed or the USART has sent so many bytes; `sent MICROSECONDS HEX`
//   until ADDRESS MICROSECONDS  runs until the program counter (in bytes) is there; `reached` or `late`
//   line HEX                    bytes for the USART, sent at BAUD one after the other from now on; `ok`
//   hurry N                     from now on the USART and its line run N times as fast as BAUD says, to fill a big flash; `ok`
//   reset                       an external reset; `ok`
//   cut SEED                    the supply fails and comes back: a page that is being erased or written is left torn, each bit as it was or
//                               as it becomes; `torn ADDRESS` or `whole`
//   pin PORT BIT LEVEL          what drives a pin from outside: 0, 1, or - for nothing; `ok`
//   lost                        how many bytes from the line came too fast and were lost; `lost COUNT`
//   stuck ADDRESS               that byte of flash can no longer be programmed and stays 0xFF; `ok`
//   peek ADDRESS COUNT          bytes of the data space; `peeked HEX`
//   flash FILE                  writes the flash as it is now; `ok`
//
// Time is the chip's: nothing here looks at a clock. What a chip would not forgive ends the program with `fault` and a sentence.
//
// Three parts that it lacks run here as a relative that it has. All that a loader uses is at the same place in both, as avr-libc's headers
// say, but for what is put right here:
// - ATmega161 as ATmega16: TOV1 is another bit of TIFR. Its CPU stops while any page is programmed, and no section is locked: from memory;
// - ATmega64HVE and ATmega64HVE2 as ATmega16M1: they have more memory, and their LIN controller is 8 lower. Timer1 counts 16 bits in any
//   case, so what TCW1 does there is not tried.
//
// Where the library is kinder than the datasheet, or wrong, this file corrects it:
// - it counts a parity bit in every UART frame, and takes U2X as it was when UBRR was written;
// - it loses UDRE for good when the transmitter is switched off;
// - it ends in a fault of its own where it sets up a LIN controller: here that is a UART whose status is in LINSIR;
// - it takes any baud rate: here the chip's may differ from the line's by 2 percent;
// - its 64-byte input queue hides a receiver that is too slow: here a byte is lost when three wait already, as many as the chip's
//   buffer and its shift register hold;
// - page erase and page write take no time: here the RWW section is busy for 4.5 ms and may not be read or run before RWWSRE is
//   written, no SPM may be issued meanwhile, and the CPU stops while the NRWW section is programmed;
// - it writes pages that are not erased without a word.

#include <simavr/avr_flash.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_lin.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_core.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

DEFINE_FIFO(uint16_t, uart_fifo);

enum { SPMEN = 0x01, PGERS = 0x02, PGWRT = 0x04, RWWSRE = 0x10, RWWSB = 0x40, U2X = 0x02, UDRE = 0x20, LERR = 3, Z = 30 };

static avr_t *avr;
static avr_uart_t *uart;
static avr_lin_t *lin;
static avr_flash_t *self_programming;
static avr_irq_t *uart_in;
static uint32_t nrww_start, page_size, baud, hurry = 1;
static enum { ITSELF, LIKE_MEGA16, LIKE_MEGA16M1 } kind;

static uint8_t sent[1 << 16];
static size_t sent_count;

static uint8_t line[1 << 16];
static size_t line_next, line_count;
static avr_cycle_count_t line_due;
static unsigned long line_lost;

static avr_cycle_count_t busy_until;
static bool rww_locked;

// The page that is being erased or written while `busy_until`, and what it held before.
static uint32_t busy_page;
static uint8_t held_before[256];

static uint32_t stuck = UINT32_MAX;

// The pin that was named last, and what drives it from outside: 0, 1, or - for nothing.
static avr_irq_t *pin;
static char pin_level;

static void fault(const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    printf("fault ");
    vprintf(format, arguments);
    printf(" (pc 0x%05x, cycle %llu)\n", avr ? avr->pc : 0, avr ? (unsigned long long)avr->cycle : 0);
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

static avr_cycle_count_t line_byte_cycles(void)
{
    return (avr_cycle_count_t)avr->frequency * 10 / baud / hurry;
}

// Puts a LIN controller's registers `by` lower than the library has them.
static void move_lin(unsigned by)
{
    avr_uart_t *with = &lin->uart;
    avr_regbit_t *bits[] = {&lin->lena, &lin->ldisr, &lin->lbt, &with->rxen, &with->txen, &with->rxc.enable, &with->rxc.raised,
                            &with->txc.enable, &with->txc.raised};
    avr_io_addr_t *registers[] = {&lin->r_linbtr, &lin->r_linbrrh, &lin->r_linbrrl, &with->r_udr};
    for (size_t n = 0; n < sizeof bits / sizeof *bits; n++)
        bits[n]->reg -= by;
    for (size_t n = 0; n < sizeof registers / sizeof *registers; n++)
        *registers[n] -= by;
}

// In the place of the library's. Registers and bits are its own table's, but for where the status is.
void avr_lin_init(avr_t *of, avr_lin_t *port)
{
    lin = port;
    if (kind == LIKE_MEGA16M1)
        move_lin(8);
    lin->uart.r_ucsra = lin->uart.rxc.raised.reg;
    lin->uart.r_ucsrb = lin->lena.reg;
    lin->uart.fe = lin->uart.rxc.raised;
    lin->uart.fe.bit = LERR;
    avr_uart_init(of, &lin->uart);
}

static void correct_uart(void)
{
    if (lin) {
        uint32_t divisor = (avr->data[lin->r_linbrrh] << 8 | avr->data[lin->r_linbrrl]) + 1;
        uart->cycles_per_byte = 10 * divisor * avr_regbit_get(avr, lin->lbt) / hurry;
        return;
    }
    if (!avr_regbit_get(avr, uart->txen))
        avr->data[uart->r_ucsra] |= UDRE;
    // Start bit, eight data bits, stop bit.
    uint32_t divisor = ((avr->data[uart->ubrrh.reg] & 0x0F) << 8 | avr->data[uart->ubrrl.reg]) + 1;
    uart->cycles_per_byte = 10 * divisor * (avr->data[uart->r_ucsra] & U2X ? 8 : 16) / hurry;
}

static void check_baud(const char *what)
{
    long line_time = line_byte_cycles(), chip_time = uart->cycles_per_byte;
    if (labs(chip_time - line_time) * 50 > line_time)
        fault("the chip %s at %ld cycles a byte, the line takes %ld", what, chip_time, line_time);
}

static void on_byte_sent(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)unused;
    check_baud("sends");
    if (sent_count == sizeof sent)
        fault("the chip never stops sending");
    sent[sent_count++] = value;
}

static void feed_line(void)
{
    if (line_next == line_count || avr->cycle < line_due)
        return;
    line_due = avr->cycle + line_byte_cycles();
    uint8_t byte = line[line_next++];
    if (!avr_regbit_get(avr, uart->rxen) || (lin && !avr_regbit_get(avr, lin->lena)))
        return; // nobody listens
    check_baud("receives");
    if (uart_fifo_get_read_size(&uart->input) > 2)
        line_lost++;
    else
        avr_raise_irq(uart_in, byte);
}

static uint32_t z_address(bool extended)
{
    return (uint32_t)avr->data[Z] | avr->data[Z + 1] << 8 | (extended && avr->flashend > 0xFFFF ? avr->data[avr->rampz] << 16 : 0);
}

static void check_page_erased(uint32_t at)
{
    for (uint32_t n = 0; n < page_size; n++)
        if (avr->flash[at / page_size * page_size + n] != 0xFF)
            fault("page write at 0x%05x onto bytes that are not erased", at);
}

// The access rules of self-programming, before the instruction at pc runs.
static void check_flash_access(uint16_t opcode)
{
    if (rww_locked && avr->pc < nrww_start)
        fault("runs in the RWW section before RWWSRE");
    bool lpm = opcode == 0x95C8 || (opcode & 0xFE0E) == 0x9004;
    bool elpm = opcode == 0x95D8 || (opcode & 0xFE0E) == 0x9006;
    if (rww_locked && (lpm || elpm) && z_address(elpm) < nrww_start)
        fault("reads 0x%05x in the RWW section before RWWSRE", z_address(elpm));
}

// One instruction, with what the library leaves out of SPM.
static void step(void)
{
    if (busy_until && avr->cycle >= busy_until) {
        avr->data[self_programming->r_spm] &= ~SPMEN;
        busy_until = 0;
    }
    correct_uart();
    feed_line();

    uint16_t opcode = avr->flash[avr->pc] | avr->flash[avr->pc + 1] << 8;
    check_flash_access(opcode);
    uint8_t command = avr->data[self_programming->r_spm];
    uint32_t at = z_address(true);
    bool spm = opcode == 0x95E8 && (command & SPMEN);
    if (spm && busy_until)
        fault("SPM while the last one is busy");
    if (spm && (command & PGWRT))
        check_page_erased(at);

    if (spm && (command & (PGERS | PGWRT))) {
        busy_page = at / page_size * page_size;
        memcpy(held_before, avr->flash + busy_page, page_size);
    }

    avr->run_cycle_count = 1; // else the library runs on to its next timer
    int state = avr_run(avr);
    if (state == cpu_Crashed || state == cpu_Done)
        fault("the CPU stopped");

    if (spm && (command & PGWRT) && stuck <= avr->flashend)
        avr->flash[stuck] = 0xFF;
    if (spm && (command & RWWSRE))
        rww_locked = false;
    if (spm && (command & (PGERS | PGWRT))) {
        avr_cycle_count_t time = (avr_cycle_count_t)avr->frequency * 45 / 10000;
        if (at >= nrww_start) {
            avr->cycle += time;
        } else {
            rww_locked = true;
            busy_until = avr->cycle + time;
            avr->data[self_programming->r_spm] |= SPMEN;
        }
    }
    avr->data[self_programming->r_spm] = (avr->data[self_programming->r_spm] & ~RWWSB) | (rww_locked ? RWWSB : 0);
}

static avr_cycle_count_t after(unsigned long long microseconds)
{
    return avr->cycle + microseconds * (avr->frequency / 1000000);
}

static void print_hex(const uint8_t *bytes, size_t count)
{
    for (size_t n = 0; n < count; n++)
        printf("%02x", bytes[n]);
    printf("\n");
}

static void command_run(unsigned long long microseconds, size_t bytes)
{
    avr_cycle_count_t start = avr->cycle, end = after(microseconds);
    while (avr->cycle < end && sent_count < bytes)
        step();
    printf("sent %llu ", (unsigned long long)((avr->cycle - start) / (avr->frequency / 1000000)));
    print_hex(sent, sent_count);
    sent_count = 0;
}

static void command_until(uint32_t address, unsigned long long microseconds)
{
    avr_cycle_count_t end = after(microseconds);
    while (avr->pc != address && avr->cycle < end)
        step();
    puts(avr->pc == address ? "reached" : "late");
}

static void command_line(const char *hex)
{
    if (line_next == line_count)
        line_next = line_count = 0, line_due = avr->cycle + line_byte_cycles();
    unsigned byte;
    for (; sscanf(hex, "%2x", &byte) == 1; hex += 2) {
        if (line_count == sizeof line)
            fault("too much for the line");
        line[line_count++] = byte;
    }
    puts("ok");
}

// The library blanks PIN, and afterwards keeps from it what it takes for no change: so the pin changes once.
static void reset(avr_regbit_t cause)
{
    avr_reset(avr);
    avr_regbit_set(avr, cause);
    busy_until = 0, rww_locked = false;
    if (pin) {
        avr_raise_irq(pin, pin_level != '1');
        avr_raise_irq(pin, pin_level == '1');
    }
}

static void command_reset(void)
{
    reset(avr->reset_flags.extrf);
    puts("ok");
}

static void command_cut(unsigned seed)
{
    bool torn = busy_until != 0;
    srand(seed);
    for (uint32_t n = 0; torn && n < page_size; n++) {
        uint8_t done = rand() >> 8, *byte = avr->flash + busy_page + n;
        *byte = (*byte & done) | (held_before[n] & ~done);
    }
    reset(avr->reset_flags.porf);
    line_next = line_count = 0;
    if (torn)
        printf("torn %u\n", busy_page);
    else
        puts("whole");
}

// PIN follows at once for a level; without one the library asks the pull-up when the firmware next writes PORT.
static void command_pin(char port, unsigned bit, char level)
{
    pin = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), bit), pin_level = level;
    avr_ioport_external_t driven = { .name = port, .mask = level == '-' ? 0 : 1u << bit, .value = level == '1' ? 1u << bit : 0 };
    if (!pin || avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &driven) == -1)
        fault("the library has no pin P%c%u here", port, bit);
    if (level != '-')
        avr_raise_irq(pin, level == '1');
    puts("ok");
}

static void command_peek(unsigned long long address, unsigned long long count)
{
    READ_SREG_INTO(avr, avr->data[R_SREG]); // the library keeps the flags elsewhere
    printf("peeked ");
    print_hex(avr->data + address, count);
}

static void command_hurry(unsigned long long times)
{
    if (times == 0 || times > 16)
        fault("cannot hurry %llu times", times);
    hurry = times;
    puts("ok");
}

static void command_flash(const char *path)
{
    FILE *file = fopen(path, "wb");
    if (!file || fwrite(avr->flash, 1, avr->flashend + 1, file) != avr->flashend + 1 || fclose(file))
        fault("cannot write %s", path);
    puts("ok");
}

static void obey(const char *command)
{
    unsigned long long first, second;
    char port, level;
    char text[2 * sizeof line + 1];
    if (sscanf(command, "run %llu %llu", &first, &second) == 2)
        command_run(first, second);
    else if (sscanf(command, "until %llu %llu", &first, &second) == 2)
        command_until(first, second);
    else if (sscanf(command, "line %131072s", text) == 1)
        command_line(text);
    else if (sscanf(command, "hurry %llu", &first) == 1)
        command_hurry(first);
    else if (sscanf(command, "stuck %llu", &first) == 1)
        stuck = first, puts("ok");
    else if (strcmp(command, "lost\n") == 0)
        printf("lost %lu\n", line_lost);
    else if (strcmp(command, "reset\n") == 0)
        command_reset();
    else if (sscanf(command, "cut %llu", &first) == 1)
        command_cut(first);
    else if (sscanf(command, "pin %c %llu %c", &port, &first, &level) == 3 && first < 8)
        command_pin(port, first, level);
    else if (sscanf(command, "peek %llu %llu", &first, &second) == 2 && first + second <= avr->ramend + 1ull)
        command_peek(first, second);
    else if (sscanf(command, "flash %131072[^\n]", text) == 1)
        command_flash(text);
    else
        fault("unknown command: %s", command);
    fflush(stdout);
}

static void load(const char *path)
{
    FILE *file = fopen(path, "rb");
    if (!file)
        fault("cannot read %s", path);
    memset(avr->flash, 0xFF, avr->flashend + 1);
    if (fread(avr->flash, 1, avr->flashend + 1, file) == 0)
        fault("%s is empty", path);
    fclose(file);
}

// The part, or the relative of one that the library lacks.
static avr_t *make(const char *part)
{
    avr_t *made = avr_make_mcu_by_name(part);
    if (made)
        return made;
    if (strcmp(part, "atmega161") == 0)
        kind = LIKE_MEGA16;
    if (strcmp(part, "atmega64hve") == 0 || strcmp(part, "atmega64hve2") == 0)
        kind = LIKE_MEGA16M1;
    if (kind != ITSELF)
        made = avr_make_mcu_by_name(kind == LIKE_MEGA16 ? "atmega16" : "atmega16m1");
    if (made && kind == LIKE_MEGA16M1)
        made->flashend = 0xFFFF, made->ramend = 0x10FF;
    return made;
}

// TOV1 and OCF2 change places.
static void correct_tifr(avr_timer_t *timer)
{
    if (timer->name == '1')
        timer->overflow.raised.bit = 7;
    if (timer->name == '2')
        timer->comp[0].interrupt.raised.bit = 2;
}

static void find_modules(char usart)
{
    for (avr_io_t *module = avr->io_port; module; module = module->next) {
        if (strcmp(module->kind, "timer") == 0 && kind == LIKE_MEGA16)
            correct_tifr((avr_timer_t *)module);
        if (strcmp(module->kind, "flash") == 0)
            self_programming = (avr_flash_t *)module;
        if (strcmp(module->kind, "uart") == 0 && ((avr_uart_t *)module)->name == usart)
            uart = (avr_uart_t *)module;
    }
    if (!self_programming || !uart)
        fault("the library has no %s here", uart ? "self-programming" : "such USART");
    page_size = self_programming->spm_pagesize;
    if (page_size > sizeof held_before)
        fault("pages of %u bytes", page_size);
}

int main(int count, char **arguments)
{
    if (count != 2 && count != 8) {
        fprintf(stderr, "usage: boot PART [HERTZ BAUD FLASH.bin RESET_AT NRWW USART]\n");
        return 2;
    }
    avr_global_logger_set(log_nothing);
    int replies = dup(STDOUT_FILENO);
    dup2(STDERR_FILENO, STDOUT_FILENO); // the library prints while it sets a part up
    avr = make(arguments[1]);
    if (avr && count > 2)
        avr_init(avr);
    fflush(stdout);
    dup2(replies, STDOUT_FILENO);
    if (count == 2) {
        puts(!avr ? "unknown" : kind == ITSELF ? "known" : "related");
        return 0;
    }
    if (!avr)
        fault("no part %s here", arguments[1]);
    avr->frequency = strtoul(arguments[2], NULL, 0);
    baud = strtoul(arguments[3], NULL, 0);
    load(arguments[4]);
    avr->codeend = avr->flashend;
    avr->reset_pc = avr->pc = strtoul(arguments[5], NULL, 0);
    nrww_start = kind == LIKE_MEGA16 ? 0 : strtoul(arguments[6], NULL, 0);
    avr->sleep = sleep_nothing;
    avr->run_cycle_limit = 1;
    char usart = *arguments[7];
    find_modules(usart);

    uint32_t no_flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS(usart), &no_flags);
    uart_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ(usart), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ(usart), UART_IRQ_OUTPUT), on_byte_sent, NULL);

    static char command[2 * sizeof line + 16];
    while (fgets(command, sizeof command, stdin))
        obey(command);
    return 0;
}
