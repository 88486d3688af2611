// A serial loader for 8-bit AVR parts with a boot section and a USART, or a LIN controller that is one: takes firmware by XMODEM-CRC
// and starts it.
//
// Built by build.sh for every part that it lists. What differs from board to board stands in a block of parameters in the last
// bytes of the flash, which Farrier fills from the board file: struct parameters below, and src/board/loader_parameters.rs.
// All jumps are relative and nothing but the block has an address of its own, so the code runs from any boot section.
//
// What happens after reset, whatever its cause:
// 1. The watchdog is stopped, the greeting is sent, and as long as the board file says the sender is asked for a block ('C').
// 2. Nothing came: the application starts if there is one and the pin that holds the loader, where there is one, does not hold it.
//    If flash is blank at 0, the loader goes on asking.
// 3. A block came: the transfer runs. Each block is checked before it is kept, each page read back after it is programmed.
//    Page 0 is erased first and programmed last, so a transfer that breaks off leaves a board that waits for the next one and
//    never starts half an application.
// The application finds the chip as after reset: USART and Timer1 untouched, interrupts off, vectors at 0, RAMPZ and EIND 0.
// MCUSR keeps the reset cause except WDRF, which has to be cleared to stop the watchdog. So an application that clears MCUSR at its
// own start finds 0 there after a watchdog reset.
//
// Sources: ATmega48A/PA/88A/PA/168A/PA/328/P datasheet (8271), ATmega164A..1284P (8272), ATmega640..2561 (2549), ATmega8 (2486),
// ATmega128 (2467), sections on the USART, the watchdog and self-programming, ATmega16M1..64C1 (8209), section on the LIN/UART
// controller (from memory); where parts differ, avr-libc's headers say how; XMODEM-CRC as its public description has it.
//
// ATmega161 (1228). Checked, avr-libc's iom161.h and boot.h: its registers; SPMCR has no bit that would lock or enable a section; 0xFFFF
// and NOP follow an SPM; WDRF has no name, so MCUSR is left alone. From memory: WDRF holds nothing on there, the CPU stands still during
// an erase or a write, and UBRRH has the high bits of UART0 below and those of UART1 above.
//
// ATmega64HVE and ATmega64HVE2. Checked, the vendor's description of the latter in the crate avr-mcu 0.3.5: TCW1, and that Timer1's
// clock is chosen as elsewhere; avr-libc's headers: bits and order of the LIN controller's registers. From memory: with TCW1 the timer
// counts and is written as elsewhere, as in its kin (8042); the LIN controller works as 8209 has it.

#include <avr/boot.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/wdt.h>
#include <stdbool.h>
#include <stdint.h>
#include <string.h>

enum { SOH = 0x01, EOT = 0x04, ACK = 0x06, NAK = 0x15, CAN = 0x18, PROMPT = 'C' };

// How often the loader waits for a block of a transfer before it gives up.
enum { RETRIES = 10 };

enum { BLOCK = 128, PAGE = SPM_PAGESIZE };

// What is programmed at once: whole pages and whole blocks.
enum { UNIT = PAGE < BLOCK ? BLOCK : PAGE, BLOCKS_A_UNIT = UNIT / BLOCK };

// The first USART: USART0, on USB parts without one USART1, on parts with a single one it has no number. The others of a part have
// the same order of registers (build.sh looks), so that the address of the first register says which one is used. A LIN controller has
// other registers, and its clocks a bit are a number of their own.
#if defined(LINCR)
#define FIRST_STATUS LINCR
#define FIRST_CONTROL LINCR
#define FIRST_DIVISOR LINBRRL
#define FIRST_DATA LINDAT
#elif defined(UCSR0A)
#define FIRST_STATUS UCSR0A
#define FIRST_CONTROL UCSR0B
#ifdef UBRR0L
#define FIRST_DIVISOR UBRR0L
#else
#define FIRST_DIVISOR UBRR0 // ATmega161: and one UBRRH for two UARTs
#define HIGH_OF_BOTH
#endif
#define FIRST_DATA UDR0
#elif defined(UCSR1A)
#define FIRST_STATUS UCSR1A
#define FIRST_CONTROL UCSR1B
#define FIRST_DIVISOR UBRR1L
#define FIRST_DATA UDR1
#else
#define FIRST_STATUS UCSRA
#define FIRST_CONTROL UCSRB
#ifdef UBRR
#define FIRST_DIVISOR UBRR
#else
#define FIRST_DIVISOR UBRRL
#endif
#define FIRST_DATA UDR
#endif
#define PLACE(register) ((uintptr_t)&(register))
#define FIRST (PLACE(FIRST_STATUS) < PLACE(FIRST_DIVISOR) ? PLACE(FIRST_STATUS) : PLACE(FIRST_DIVISOR))
#define STATUS uart[PLACE(FIRST_STATUS) - FIRST]   // UCSRnA
#define CONTROL uart[PLACE(FIRST_CONTROL) - FIRST] // UCSRnB
#define DIVISOR uart[PLACE(FIRST_DIVISOR) - FIRST] // UBRRnL
#define DATA uart[PLACE(FIRST_DATA) - FIRST]       // UDRn

// Bits of UCSRnA and UCSRnB, the same on every part; what stands for them in a LIN controller.
#ifdef LINCR
#define PROGRESS uart[PLACE(LINSIR) - FIRST]
#define CLOCKS_A_BIT uart[PLACE(LINBTR) - FIRST]
enum { RECEIVED = _BV(LRXOK), SENT = _BV(LTXOK), AS_UART = _BV(LENA) | _BV(LCMD2) | _BV(LCMD1) | _BV(LCMD0) };
#else
#define PROGRESS STATUS
enum { RECEIVED = 0x80, SENT = 0x40, READY = 0x20, RECEIVER = 0x10, TRANSMITTER = 0x08 };
#endif

// Registers that older parts call otherwise.
#ifndef TIFR1
#define TIFR1 TIFR
#endif
#ifdef MCUCSR
#define RESET_CAUSE MCUCSR
#else
#define RESET_CAUSE MCUSR
#endif
#ifndef SPMCSR
#define SPMCSR SPMCR
#endif
#ifndef WDTCSR
#define WDTCSR WDTCR
#endif
#ifndef EEPE
#define EEPE EEWE
#endif

// A byte address in flash.
#if FLASHEND > 0xFFFF
typedef uint32_t address;
#else
typedef uint16_t address;
#endif

// No start-up code runs: no variable has a value before it is given one.
#define UNSET __attribute__((section(".noinit")))

// What Farrier writes to the last 64 bytes of the flash. Addresses are those of the data space; ticks are Timer1's, the clock divided by
// 1024.
static struct parameters {
    char magic[4];            // "shoe"
    uint8_t version;          // 1
    uint8_t speed;            // U2X or 0
    volatile uint8_t *uart;   // the USART's first register
    volatile uint8_t *high;   // its UBRRH, which is not everywhere beside UBRRL
    uint16_t divisor;         // for UBRR
    uint16_t room;            // blocks that the application may take, up to the loader
    uint16_t wait;            // ticks: for the first block, after each question
    uint16_t second, half, quiet; // ticks: for a block, for the next one, and silence of the line
    uint8_t prompts;          // questions before the application starts
    uint8_t hold_mask;        // the pin that holds the loader; 0 if there is none
    uint8_t hold_pull;        // the mask again if a low level holds it, for which the pull-up is switched on; else 0
    volatile uint8_t *hold_pin; // its PIN register; PORT is two further
    char greeting[37];        // ends in 0
} set UNSET;
_Static_assert(sizeof set == 64, "the block as Farrier knows it");

enum { PARAMETERS = FLASHEND - 63 };

// The USART's first register, kept in registers as what is used most, to make the code small.
register volatile uint8_t *uart asm("r2");

// How many blocks of this transfer are taken.
register uint16_t taken asm("r4");

// What arrived for the first pages, kept until everything else is in flash, and what arrived for the page in hand.
static uint8_t first_page[UNIT] UNSET, page[UNIT] UNSET;

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
#if FLASHEND > 0xFFFF
    return pgm_read_byte_far(at);
#else
    return pgm_read_byte(at);
#endif
}

static void send(uint8_t byte)
{
#ifdef LINCR
    PROGRESS = SENT; // a 1 clears it
    DATA = byte;
    while (!(PROGRESS & SENT))
        ;
#else
    while (!(STATUS & READY))
        ;
    STATUS = SENT | set.speed; // a 1 clears SENT, so that it tells about this byte
    DATA = byte;
#endif
}

// Gives the calls of receive() that follow so many ticks in all: Timer1 overflows when they are over.
__attribute__((noinline)) static void allow(const uint16_t *ticks)
{
    TCNT1 = -*ticks;
    TIFR1 = _BV(TOV1); // a 1 clears it
}

static bool late(void)
{
    return TIFR1 & _BV(TOV1);
}

// The next byte; 0 when it is late.
static uint8_t receive(void)
{
    while (!(PROGRESS & RECEIVED)) {
        wdt_reset(); // for chips whose WDTON fuse keeps the watchdog on
        if (late())
            return 0;
    }
    return DATA;
}

// Passes over what still comes until the line is quiet; 256 bytes at most, so that a line that never rests does not hold us.
static void drain(void)
{
    uint8_t bytes = 0;
    do {
        allow(&set.quiet);
        receive();
    } while (!late() && --bytes);
}

// Waits for SOH, EOT or CAN CAN; 0 when none came. Other bytes neither count nor prolong the wait.
static uint8_t receive_start(const uint16_t *ticks)
{
    uint8_t byte = 0, before;
    allow(ticks);
    do {
        before = byte;
        byte = receive();
        if (late())
            return 0;
    } while (byte != SOH && byte != EOT && !(byte == CAN && before == CAN));
    return byte;
}

// The CRC of XMODEM, of 16 bits with the polynomial 0x1021, with one more byte.
static uint16_t crc_with(uint16_t crc, uint8_t byte)
{
    crc ^= (uint16_t)byte << 8;
    for (uint8_t n = 8; n; n--)
        crc = crc & 0x8000 ? crc << 1 ^ 0x1021 : crc << 1;
    return crc;
}

// Takes what follows an SOH; true if all of it came within a second and its checks are right.
static bool receive_block(uint8_t *number, uint8_t *into)
{
    uint16_t crc = 0;
    allow(&set.second);
    *number = receive();
    uint8_t complement = receive();
    for (uint8_t n = 0; n < BLOCK + 2; n++) {
        uint8_t byte = receive();
        crc = crc_with(crc, byte); // over data and CRC together: 0 if right
        if (n < BLOCK)
            *into++ = byte;
    }
    return !late() && crc == 0 && (uint8_t)(*number ^ complement) == 0xFF;
}

// Waits for an erase or a write, after which the flash can be read again.
__attribute__((noinline)) static void settle(void)
{
    boot_spm_busy_wait();
#if defined(RWWSRE) || defined(ASRE) // not on ATmega161
    boot_rww_enable();
#endif
}

static void erase(address at)
{
    while (EECR & _BV(EEPE)) // no SPM while the EEPROM is being written
        ;
    boot_page_erase(at);
    settle();
}

static void program_page(address at, const uint8_t *bytes)
{
    erase(at);
    for (uint8_t n = 0; n < PAGE / 2; n++, at += 2, bytes += 2)
        boot_page_fill(at, *(const uint16_t *)bytes);
    boot_page_write(at - PAGE);
    settle();
}

// Programs the unit at `at` and compares it with what it should hold. The last page goes first: where the unit is the first one, page 0
// is the last of all, and nothing starts before it.
static bool program(address at, const uint8_t *bytes)
{
    for (uint8_t pages = UNIT / PAGE; pages--;)
        program_page(at + pages * PAGE, bytes + pages * PAGE);
    uint8_t n = 0;
    do
        if (read_flash(at++) != *bytes++)
            return false;
    while (++n != (uint8_t)UNIT);
    return true;
}

// Where the next block is kept until its unit is programmed.
static uint8_t *place(void)
{
    return taken < BLOCKS_A_UNIT ? first_page + taken * BLOCK : page + taken % BLOCKS_A_UNIT * BLOCK;
}

// Counts the block that lies at place(), and does what is due then.
static bool keep(void)
{
    if (taken++ == 0)
        erase(0);
    if (taken <= BLOCKS_A_UNIT || taken % BLOCKS_A_UNIT != 0)
        return true;
    return program((address)(taken - BLOCKS_A_UNIT) * BLOCK, page);
}

// Takes a block after its SOH and says what to answer: ACK, NAK (send it again) or CAN (the transfer is over).
static uint8_t take_block(void)
{
    uint8_t number;
    if (!receive_block(&number, place()))
        return NAK;
    if (taken != 0 && number == (uint8_t)taken)
        return ACK; // the last one again, because our answer was lost; it lies where the next one will
    if (number != (uint8_t)(taken + 1) || taken == set.room)
        return CAN;
    return keep() ? ACK : CAN;
}

// Programs what is left at the end of a transfer: a unit that is not full, and the first one.
static bool finish(void)
{
    while (taken % BLOCKS_A_UNIT != 0) {
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
    } while (receive_start(&set.half) && --tries);
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

// One transfer, or the wait for one; whether an application came.
static bool transfer(void)
{
    uint8_t answer = PROMPT, tries = set.prompts;
    bool begun = false, ending = false;
    taken = 0;
    while (tries--) {
        send(answer);
        uint8_t start = receive_start(begun ? &set.half : &set.wait);
        if (start == CAN)
            return false;
        if (start == SOH && !begun) {
            begun = true;
            tries = RETRIES;
        }
        answer = answer_to(start, ending);
        if (answer == CAN)
            break;
        if (answer == ACK && start == EOT) {
            send(ACK);
            return true;
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
    return false;
}

// Whether the pin that holds the loader does so.
static bool held(void)
{
    uint8_t mask = set.hold_mask;
    volatile uint8_t *pin = set.hold_pin;
    if (!mask)
        return false;
    pin[2] = set.hold_pull;
    for (uint8_t n = 0; --n;) // the pull-up takes a moment to lift the line
        wdt_reset();
    bool held = ((*pin ^ set.hold_pull) & mask) != 0;
    pin[2] = 0;
    return held;
}

// Leaves the chip as it is after reset and starts the application.
__attribute__((noreturn)) static void start_application(void)
{
    while (!(PROGRESS & SENT))
        ;
    CONTROL = 0;
#ifdef LINCR
    PROGRESS = SENT;
    CLOCKS_A_BIT = _BV(LDISR) | 32; // as after reset, which takes two writes
    CLOCKS_A_BIT = 32;
#else
    STATUS = SENT;
#endif
    *set.high = 0;
    DIVISOR = 0;
    TCCR1B = 0;
    TCNT1 = 0;
#ifdef TCW1
    TCCR1A = 0;
#endif
    TIFR1 = TIFR1; // clears every flag
    SPMCSR = 0;
#ifdef RAMPZ
    RAMPZ = 0;
#endif
#ifdef EIND
    EIND = 0;
#endif
    SP = RAMEND;
    asm volatile("ijmp" ::"z"(0)); // relative to nothing, and every part has it
    __builtin_unreachable();
}

__attribute__((noreturn, used)) void run(void)
{
    wdt_reset();
#ifdef WDRF
    RESET_CAUSE &= (uint8_t)~_BV(WDRF); // WDRF holds WDE on
#endif
#ifdef WDCE
    WDTCSR = _BV(WDCE) | _BV(WDE);
    WDTCSR = 0;
#else
    wdt_disable(); // older parts: the bit has another name; ATtiny828: another key opens the register
#endif

    for (uint8_t n = 0; n < sizeof set; n++)
        ((uint8_t *)&set)[n] = read_flash(PARAMETERS + n);
    uart = set.uart;
#ifdef HIGH_OF_BOTH
    *set.high = (set.divisor >> 8) * 0x11; // the same four bits for either
#else
    *set.high = set.divisor >> 8;
#endif
    DIVISOR = set.divisor;
#ifdef LINCR
    CLOCKS_A_BIT = _BV(LDISR) | (set.speed ? 8 : 16);
    CONTROL = AS_UART;
#else
    STATUS = set.speed;
    CONTROL = RECEIVER | TRANSMITTER;
#endif
#ifdef TCW1
    TCCR1A = _BV(TCW1); // ATmega64HVE: else it counts 8 bits
#endif
    TCCR1B = _BV(CS12) | _BV(CS10);

    for (const char *byte = set.greeting; *byte; byte++)
        send(*byte);
    for (;;) {
        bool came = transfer();
        if ((came || !held()) && (read_flash(0) != 0xFF || read_flash(1) != 0xFF))
            start_application();
    }
}
