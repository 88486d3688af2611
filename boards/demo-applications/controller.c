// A demo application: says that it is ready, then sends back what it receives. Built once for each demo board by
// ../loaders/build.sh with F_CPU, BAUD and BOARD (the name that it gives itself, a string).
//
// W makes it hang with the watchdog running, so that the watchdog resets the chip: a loader has to survive that.

#include <avr/eeprom.h>
#include <avr/io.h>
#include <avr/wdt.h>
#include <stdint.h>

enum { DIVISOR = (F_CPU + 4 * BAUD) / (8 * BAUD) - 1 };

#ifdef WITH_SETTINGS
// What a fresh board should hold; it comes as a section of its own, which is not flash.
EEMEM const struct {
    uint8_t layout;
    int8_t open_above_celsius;
    uint16_t travel_seconds;
    char name[12];
} settings = {1, 24, 95, "south vents"};
#endif

static void send(uint8_t byte)
{
    loop_until_bit_is_set(UCSR0A, UDRE0);
    UDR0 = byte;
}

static uint8_t receive(void)
{
    loop_until_bit_is_set(UCSR0A, RXC0);
    return UDR0;
}

int main(void)
{
    UBRR0 = DIVISOR;
    UCSR0A = _BV(U2X0);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0);
    for (const char *text = BOARD " controller ready\r\n"; *text; text++)
        send(*text);
    for (;;) {
        uint8_t byte = receive();
        if (byte == 'W') {
            wdt_enable(WDTO_15MS);
            for (;;)
                ;
        }
        send(byte);
    }
}
