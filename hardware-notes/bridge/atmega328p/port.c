// The bridge on an ATmega328P at 16 MHz. Its host is at the UART (PD0, PD1), behind a USB-serial converter; BAUD says how fast.
//
//   SCK PB5   MISO PB4   MOSI PB3   RESET PB0   clock output PB1   supply PC0, over 10 kilohm   PB2 is an output and goes nowhere
//
// Sources: datasheet 8271 (ATmega48A to 328P), sections named at each part; all from memory where nothing else is said.

#include "port.h"

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <util/delay_basic.h>

enum { RESET = _BV(PB0), CLOCK = _BV(PB1), SELECT = _BV(PB2), MOSI = _BV(PB3), MISO = _BV(PB4), SCK = _BV(PB5) };

// ---- UART ----

// With U2X0 the rate is F_CPU / 8 / (UBRR0 + 1): 115200 comes out as 117647 (2.1 % more), the other two exactly ('USART', 'Examples of Baud
// Rate Setting').
#if BAUD == 115200
enum { DIVISOR = 16 };
#elif BAUD == 500000
enum { DIVISOR = 3 };
#elif BAUD == 1000000
enum { DIVISOR = 1 };
#else
#error "BAUD is 115200, 500000 or 1000000"
#endif

const uint8_t *volatile uart_next;
volatile uint16_t uart_left;

static void start_uart(void)
{
    UCSR0A = _BV(U2X0);
    UBRR0 = DIVISOR;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}

// At 1 Mbaud a byte comes every 160 cycles, while SPI bytes take 64: the compiler's interrupt for bridge_receive would take most of them.
// This does its first lines in about 50, and leaves the rest to receive_with_care.
ISR(USART_RX_vect, ISR_NAKED)
{
    asm volatile("push r24\n\t"
                 "in r24, __SREG__\n\t"
                 "push r24\n\t"
                 "push r25\n\t"
                 "push r30\n\t"
                 "push r31\n\t"
                 "lds r25, %[data]\n\t"
                 "lds r30, %[put]\n\t"
                 "lds r31, %[put]+1\n\t"
                 "tst r25\n\t"
                 "breq 1f\n\t"
                 "lds r24, %[end]\n\t"
                 "cp r30, r24\n\t"
                 "lds r24, %[end]+1\n\t"
                 "cpc r31, r24\n\t"
                 "breq 1f\n\t"
                 "st Z+, r25\n\t"
                 "sts %[put], r30\n\t"
                 "sts %[put]+1, r31\n\t"
                 "pop r31\n\t"
                 "pop r30\n\t"
                 "pop r25\n\t"
                 "pop r24\n\t"
                 "out __SREG__, r24\n\t"
                 "pop r24\n\t"
                 "reti\n"
                 "1:\n\t"
                 "out %[byte], r25\n\t"
                 "pop r31\n\t"
                 "pop r30\n\t"
                 "pop r25\n\t"
                 "pop r24\n\t"
                 "out __SREG__, r24\n\t"
                 "pop r24\n\t"
                 "jmp __vector_receive_with_care"
                 :
                 : [data] "n"(_SFR_MEM_ADDR(UDR0)), [byte] "I"(_SFR_IO_ADDR(GPIOR0)), [put] "i"(&inbox_put), [end] "i"(&inbox_end));
}

// Not a vector, but entered and left like one; the byte is in GPIOR0.
__attribute__((signal, used, externally_visible)) void __vector_receive_with_care(void)
{
    bridge_receive(GPIOR0);
}

ISR(USART_UDRE_vect)
{
    send_next();
}

void port_pump(void)
{
}

void port_lock(void)
{
    cli();
}

void port_unlock(void)
{
    sei();
}

void port_send(const uint8_t *bytes, uint16_t count)
{
    uart_next = bytes;
    uart_left = count;
    UCSR0B = _BV(RXCIE0) | _BV(UDRIE0) | _BV(RXEN0) | _BV(TXEN0);
}

bool port_sending(void)
{
    return UCSR0B & _BV(UDRIE0);
}

// ---- Time ----

// Timer 0 counts steps of 4 us; how often it has overflowed is counted here.
volatile uint32_t timer_overflows;

ISR(TIMER0_OVF_vect)
{
    timer_overflows++;
}

static void start_timer(void)
{
    TCCR0B = _BV(CS01) | _BV(CS00);
    TIMSK0 = _BV(TOIE0);
    // Timer 2 counts CPU clocks.
    TCCR2B = _BV(CS20);
}

uint32_t port_microseconds(void)
{
    cli();
    uint8_t count = TCNT0;
    uint32_t upper = timer_overflows;
    // It may have overflowed since interrupts were switched off.
    if ((TIFR0 & _BV(TOV0)) && count < 128)
        upper++;
    sei();
    return (upper << 8 | count) << 2;
}

// Counted up in EEPROM, which outlives everything else; the lower bits are the core's.
uint32_t port_start_number(void)
{
    uint32_t *place = 0, starts = eeprom_read_dword(place) + 1;
    eeprom_write_dword(place, starts);
    return starts << 12;
}

// ---- Lines ----

static void start_pins(void)
{
    DDRB = SELECT;
    PORTB = 0;
}

void port_reset(enum port_level level)
{
    if (level == PORT_LOW) {
        PORTB &= ~RESET;
        DDRB |= RESET;
    } else if (level == PORT_HIGH) {
        PORTB |= RESET;
        DDRB |= RESET;
    } else {
        DDRB &= ~RESET;
        PORTB &= ~RESET;
    }
}

void port_drive_bus(bool driven)
{
    if (driven)
        DDRB |= SCK | MOSI;
    else
        DDRB &= ~(SCK | MOSI);
}

uint8_t port_read_lines(void)
{
    uint8_t pins = PINB;
    return (uint8_t)((pins & RESET ? 1 : 0) | (pins & SCK ? 2 : 0) | (pins & MOSI ? 4 : 0) | (pins & MISO ? 8 : 0));
}

void port_power(enum port_level level)
{
    (void)level;
}

// ---- SPI ----

uint8_t spi_control, slow_spi_came;

// Whether a byte takes 64 CPU clocks at most.
bool spi_is_fast;

// Rounds of four CPU clocks that a half period waits, and whether a byte takes so long that frames are taken in meanwhile.
static uint16_t slow_spi_rounds;
static bool slow_spi_pumps;

// What a half period takes besides waiting, CPU clocks, about. Nothing of it is counted on: a half may be longer than asked for, never
// shorter.
enum { SLOW_SPI_COST = 8 };

// SPCR's and SPSR's bits for each divider, from 2 on ('SPI', table 'Relationship Between SCK and the Oscillator Frequency').
static const uint8_t rates[] PROGMEM = {0, 0, _BV(SPR0), _BV(SPR0), _BV(SPR1), _BV(SPR1), _BV(SPR1) | _BV(SPR0)};
enum { FASTEST_DIVIDER = 2, SLOWEST_DIVIDER = 128 };

uint32_t port_spi_clock(uint32_t hertz)
{
    if (hertz < BRIDGE_SLOWEST_SPI)
        return 0;
    uint8_t place = 0;
    for (uint8_t divider = FASTEST_DIVIDER; divider <= SLOWEST_DIVIDER; divider *= 2, place++) {
        if (F_CPU / divider <= hertz) {
            spi_control = _BV(SPE) | _BV(MSTR) | pgm_read_byte(rates + place);
            // Dividers 2, 8 and 32 are doubled rates; 64 and 128 exist without.
            spi_is_fast = divider <= 8;
            SPSR = divider == 2 || divider == 8 || divider == 32 ? _BV(SPI2X) : 0;
            return F_CPU / divider;
        }
        if (divider == SLOWEST_DIVIDER)
            break;
    }
    spi_control = 0;
    spi_is_fast = false;
    uint16_t half = (uint16_t)((F_CPU / 2 + hertz - 1) / hertz);
    slow_spi_rounds = (half + 3) / 4;
    slow_spi_pumps = hertz < 10000;
    return F_CPU / 2 / (slow_spi_rounds * 4UL + SLOW_SPI_COST);
}

uint8_t slow_spi_byte(uint8_t byte)
{
    uint8_t came = 0;
    for (uint8_t bit = 0x80; bit != 0; bit >>= 1) {
        if (byte & bit)
            PORTB |= MOSI;
        else
            PORTB &= ~MOSI;
        _delay_loop_2(slow_spi_rounds);
        PORTB |= SCK;
        if (PINB & MISO)
            came |= bit;
        _delay_loop_2(slow_spi_rounds);
        PORTB &= ~SCK;
    }
    PORTB &= ~MOSI;
    if (slow_spi_pumps)
        bridge_pump();
    return came;
}

// ---- Clock output ----

// Timer 1 counts to OCR1A and toggles OC1A, in the mode that clears it there ('16-bit Timer/Counter1', 'Clear Timer on Compare Match
// Mode').
bool port_clock_output(uint32_t hertz)
{
    static const uint16_t dividers[] PROGMEM = {1, 8, 64, 256, 1024};
    TCCR1B = 0;
    TCCR1A = 0;
    DDRB &= ~CLOCK;
    if (hertz == 0)
        return true;
    if (hertz > F_CPU / 2)
        hertz = F_CPU / 2;
    for (uint8_t n = 0; n < sizeof dividers / sizeof *dividers; n++) {
        uint32_t toggles = F_CPU / 2 / pgm_read_word(dividers + n);
        uint32_t count = (toggles + hertz - 1) / hertz;
        if (count <= 0x10000) {
            OCR1A = (uint16_t)(count - 1);
            TCNT1 = 0;
            TCCR1A = _BV(COM1A0);
            TCCR1B = (uint8_t)(_BV(WGM12) | (n + 1));
            DDRB |= CLOCK;
            return true;
        }
    }
    return false;
}

// ---- Supply ----

enum { BANDGAP_MILLIVOLTS = 1100, FROM_SUPPLY = _BV(REFS0), BANDGAP = 0x0E, BOARD = 0 };

// The mean of some conversions against the chip's own supply.
static uint16_t convert(uint8_t channel)
{
    enum { COUNT = 16 };
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
    ADMUX = FROM_SUPPLY | channel;
    uint16_t sum = 0;
    // The first ones are before the bandgap has settled.
    for (uint8_t n = 0; n < 8 + COUNT; n++) {
        ADCSRA |= _BV(ADSC);
        while (ADCSRA & _BV(ADSC))
            ;
        if (n >= 8)
            sum += ADC;
    }
    ADCSRA = 0;
    return sum / COUNT;
}

static uint16_t own_supply;

static void measure_own_supply(void)
{
    uint16_t reading = convert(BANDGAP);
    own_supply = reading == 0 ? 0 : (uint16_t)(BANDGAP_MILLIVOLTS * 1023UL / reading);
}

uint16_t port_pin_millivolts(void)
{
    return own_supply;
}

bool port_supply(uint16_t *millivolts)
{
    measure_own_supply();
    *millivolts = (uint16_t)((uint32_t)convert(BOARD) * own_supply / 1023);
    return true;
}

int main(void)
{
    start_pins();
    start_timer();
    measure_own_supply();
    start_uart();
    sei();
    bridge_start();
    for (;;)
        bridge_step();
}
