// A serial loader for 8-bit AVR parts with a boot section: takes firmware by XMODEM-CRC and starts it.
//
// Built by build.sh, once for each board, with
//   F_CPU        clock in hertz
//   BAUD         line speed of UART0 (8 data bits, no parity, 1 stop bit)
//   RESERVATION  first byte of the flash that belongs to the loader; everything below belongs to the application
//   BOARD        name for the greeting, as a string
//
// What happens after reset, whatever its cause:
// 1. The watchdog is stopped, the greeting is sent, and for two seconds the sender is asked for a block ('C', twice a second).
// 2. Nothing came: the application starts if there is one. If flash is blank at 0, the loader goes on asking.
// 3. A block came: the transfer runs. Each block is checked before it is kept, each page read back after it is programmed.
//    Page 0 is erased first and programmed last, so a transfer that breaks off leaves a board that waits for the next one and
//    never starts half an application.
// The application finds the chip as after reset: UART0 and Timer1 untouched, interrupts off, vectors at 0, RAMPZ and EIND 0.
// MCUSR keeps the reset cause except WDRF, which has to be cleared to stop the watchdog. So an application that clears MCUSR at its
// own start finds 0 there after a watchdog reset.
//
// Sources: ATmega48A/PA/88A/PA/168A/PA/328/P datasheet (8271), ATmega164A..1284P (8272), ATmega640..2561 (2549), sections on the
// USART, the watchdog and self-programming (from memory); XMODEM-CRC as its public description has it.

#include <avr/boot.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/wdt.h>
#include <stdbool.h>
#include <stdint.h>
#include <string.h>
#include <util/crc16.h>

enum { SOH = 0x01, EOT = 0x04, ACK = 0x06, NAK = 0x15, CAN = 0x18, PROMPT = 'C' };

// How often the loader waits for a block: before a transfer, and after each block of it.
enum { PROMPTS = 4, RETRIES = 10 };

enum { BLOCK = 128, PAGE = SPM_PAGESIZE, BLOCKS_A_PAGE = PAGE / BLOCK };
enum { ROOM = RESERVATION / BLOCK };
_Static_assert(RESERVATION % PAGE == 0, "the reservation begins with a page");

// Timer1 counts at F_CPU / 1024: a second is 15625 ticks at 16 MHz. UART0 divides the clock by 8 (DIVISOR + 1) with U2X0 set.
enum { SECOND = F_CPU / 1024, START_WAIT = SECOND / 2, QUIET = SECOND / 20 };
enum { DIVISOR = (F_CPU + 4 * BAUD) / (8 * BAUD) - 1 };

// A byte address in flash.
#ifdef RAMPZ
typedef uint32_t address;
#else
typedef uint16_t address;
#endif

// No start-up code runs: no variable has a value before it is given one.
#define UNSET __attribute__((section(".noinit")))

// What arrived for page 0, kept until everything else is in flash, and what arrived for the page in hand.
static uint8_t first_page[PAGE] UNSET, page[PAGE] UNSET;

// How many blocks of this transfer are taken.
static uint16_t taken UNSET;

static const char greeting[] PROGMEM = "farrier " BOARD "\r\n";

// The one entry, at the first byte of the reservation. There is no stack yet, and no register that holds zero.
__attribute__((naked, used, section(".vectors"))) void entry(void)
{
    asm volatile("cli\n\t"
                 "clr __zero_reg__\n\t"
                 "ldi r24, lo8(%0)\n\t"
                 "out __SP_L__, r24\n\t"
                 "ldi r24, hi8(%0)\n\t"
                 "out __SP_H__, r24\n\t"
                 "rjmp run" ::"i"(RAMEND));
}

static uint8_t read_flash(address at)
{
#ifdef RAMPZ
    return pgm_read_byte_far(at);
#else
    return pgm_read_byte(at);
#endif
}

static void send(uint8_t byte)
{
    loop_until_bit_is_set(UCSR0A, UDRE0);
    UCSR0A = _BV(U2X0) | _BV(TXC0); // a 1 clears TXC0, so that it tells about this byte
    UDR0 = byte;
}

static void greet(void)
{
#ifdef RAMPZ
    address at = pgm_get_far_address(greeting);
#else
    address at = (address)greeting;
#endif
    for (uint8_t byte; (byte = read_flash(at)); at++)
        send(byte);
}

// Gives the calls of receive() that follow `ticks` in all: Timer1 overflows when they are over.
static void allow(uint16_t ticks)
{
    TCNT1 = -ticks;
    TIFR1 = _BV(TOV1); // a 1 clears it
}

static bool late(void)
{
    return TIFR1 & _BV(TOV1);
}

// The next byte; 0 when it is late.
static uint8_t receive(void)
{
    while (bit_is_clear(UCSR0A, RXC0)) {
        wdt_reset(); // for chips whose WDTON fuse keeps the watchdog on
        if (late())
            return 0;
    }
    return UDR0;
}

// Passes over what still comes until the line is quiet; 256 bytes at most, so that a line that never rests does not hold us.
static void drain(void)
{
    uint8_t bytes = 0;
    do {
        allow(QUIET);
        receive();
    } while (!late() && --bytes);
}

// Waits for SOH, EOT or CAN CAN; 0 when none came. Other bytes neither count nor prolong the wait.
static uint8_t receive_start(void)
{
    uint8_t byte = 0, before;
    allow(START_WAIT);
    do {
        before = byte;
        byte = receive();
        if (late())
            return 0;
    } while (byte != SOH && byte != EOT && !(byte == CAN && before == CAN));
    return byte;
}

// Takes what follows an SOH; true if all of it came within a second and its checks are right.
static bool receive_block(uint8_t *number, uint8_t *into)
{
    uint16_t crc = 0;
    allow(SECOND);
    *number = receive();
    uint8_t complement = receive();
    for (uint8_t n = 0; n < BLOCK + 2; n++) {
        uint8_t byte = receive();
        crc = _crc_xmodem_update(crc, byte); // over data and CRC together: 0 if right
        if (n < BLOCK)
            *into++ = byte;
    }
    return !late() && crc == 0 && (uint8_t)(*number ^ complement) == 0xFF;
}

static void erase(address at)
{
    while (EECR & _BV(EEPE)) // no SPM while the EEPROM is being written
        ;
    boot_page_erase(at);
    boot_spm_busy_wait();
    boot_rww_enable();
}

// Programs the page at `at` and compares it with what it should hold.
static bool program(address at, const uint8_t *bytes)
{
    erase(at);
    for (uint8_t n = 0; n < PAGE / 2; n++, at += 2)
        boot_page_fill(at, ((const uint16_t *)bytes)[n]);
    at -= PAGE;
    boot_page_write(at);
    boot_spm_busy_wait();
    boot_rww_enable();
    uint8_t n = 0;
    do
        if (read_flash(at++) != *bytes++)
            return false;
    while (++n != (uint8_t)PAGE);
    return true;
}

// Where the next block is kept until its page is programmed.
static uint8_t *place(void)
{
    return taken < BLOCKS_A_PAGE ? first_page + taken * BLOCK : page + taken % BLOCKS_A_PAGE * BLOCK;
}

// Counts the block that lies at place(), and does what is due then.
static bool keep(void)
{
    if (taken++ == 0)
        erase(0);
    if (taken <= BLOCKS_A_PAGE || taken % BLOCKS_A_PAGE != 0)
        return true;
    return program((address)(taken - BLOCKS_A_PAGE) * BLOCK, page);
}

// Takes a block after its SOH and says what to answer: ACK, NAK (send it again) or CAN (the transfer is over).
static uint8_t take_block(void)
{
    uint8_t number;
    if (!receive_block(&number, place()))
        return NAK;
    if (taken != 0 && number == (uint8_t)taken)
        return ACK; // the last one again, because our answer was lost; it lies where the next one will
    if (number != (uint8_t)(taken + 1) || taken == ROOM)
        return CAN;
    return keep() ? ACK : CAN;
}

// Programs what is left at the end of a transfer: a page that is not full, and page 0.
static bool finish(void)
{
    while (taken % BLOCKS_A_PAGE != 0) {
        memset(place(), 0xFF, BLOCK);
        if (!keep())
            return false;
    }
    if (taken == 0 || program(0, first_page))
        return true;
    erase(0); // what cannot be programmed right must not start
    return false;
}

// Refuses until the sender is silent: some hear CAN only when it comes in place of their first block.
static void cancel(void)
{
    uint8_t tries = 2 * RETRIES;
    do {
        drain();
        send(CAN);
        send(CAN);
    } while (receive_start() && --tries);
}

// Does what the sender's `start` asks for and says what to answer.
static uint8_t answer_to(uint8_t start, bool ending)
{
    if (start == SOH)
        return take_block();
    if (start == EOT && ending) // said again when asked again, so it was no damaged SOH
        return finish() ? ACK : CAN;
    return NAK;
}

// One transfer, or the wait for one.
static void transfer(void)
{
    uint8_t answer = PROMPT, tries = PROMPTS;
    bool begun = false, ending = false;
    taken = 0;
    while (tries--) {
        send(answer);
        uint8_t start = receive_start();
        if (start == CAN)
            return;
        if (start == SOH && !begun) {
            begun = true;
            tries = RETRIES;
        }
        answer = answer_to(start, ending);
        if (answer == CAN)
            break;
        if (answer == ACK && start == EOT) {
            send(ACK);
            return;
        }
        if (answer == ACK)
            tries = RETRIES;
        else if (start)
            drain();
        if (taken == 0)
            answer = PROMPT; // asks for the first block as NAK does, and says CRC, not checksum
        ending = start == EOT;
    }
    if (begun)
        cancel();
}

// Leaves the chip as it is after reset and starts the application.
__attribute__((noreturn)) static void start_application(void)
{
    loop_until_bit_is_set(UCSR0A, TXC0);
    UCSR0B = 0;
    UCSR0A = _BV(TXC0);
    UBRR0 = 0;
    TCCR1B = 0;
    TCNT1 = 0;
    TIFR1 = TIFR1; // clears every flag
    SPMCSR = 0;
#ifdef RAMPZ
    RAMPZ = 0;
#endif
#ifdef EIND
    EIND = 0;
#endif
    SP = RAMEND;
    asm volatile("jmp 0");
    __builtin_unreachable();
}

__attribute__((noreturn, used)) void run(void)
{
    wdt_reset();
    MCUSR &= (uint8_t)~_BV(WDRF); // WDRF holds WDE on
    WDTCSR = _BV(WDCE) | _BV(WDE);
    WDTCSR = 0;

    UBRR0 = DIVISOR;
    UCSR0A = _BV(U2X0);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0);
    TCCR1B = _BV(CS12) | _BV(CS10);

    greet();
    for (;;) {
        transfer();
        if (read_flash(0) != 0xFF || read_flash(1) != 0xFF)
            start_application();
    }
}
