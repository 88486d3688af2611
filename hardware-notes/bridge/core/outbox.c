#include "outbox.h"

#include "frame.h"
#include "port.h"

// Which of the frames: an answer's index, or one of these.
enum { SHORT = 0xFE, NONE = 0xFF };

struct answer {
    uint16_t length; // on the wire; 0: not there yet
    bool to_send;
    uint8_t bytes[FRAME_STUFFED(BRIDGE_FRAME)];
};

static struct answer answers[BRIDGE_WINDOW];
static uint8_t newest;

static uint8_t short_bytes[FRAME_STUFFED(SHORT_MESSAGE + 2)];
static uint16_t short_length; // 0: nothing to send

// What the port was given last.
static uint8_t sending = NONE;

static uint8_t index_of(uint8_t back)
{
    uint8_t at = (uint8_t)(newest + BRIDGE_WINDOW + 1 - back);
    return at < BRIDGE_WINDOW ? at : (uint8_t)(at - BRIDGE_WINDOW);
}

void outbox_clear(void)
{
    for (uint8_t n = 0; n < BRIDGE_WINDOW; n++) {
        answers[n].length = 0;
        answers[n].to_send = false;
    }
}

void outbox_expect(void)
{
    newest = newest + 1 < BRIDGE_WINDOW ? newest + 1 : 0;
    answers[newest].length = 0;
    answers[newest].to_send = false;
}

uint8_t *outbox_place(uint8_t back)
{
    uint8_t n = index_of(back);
    while (sending == n && port_sending())
        port_pump();
    return answers[n].bytes + 1;
}

void outbox_keep(uint8_t back, uint16_t length)
{
    struct answer *answer = &answers[index_of(back)];
    answer->length = frame_seal(answer->bytes, length);
    answer->to_send = true;
}

bool outbox_repeat(uint8_t back)
{
    struct answer *answer = &answers[index_of(back)];
    if (answer->length == 0)
        return false;
    answer->to_send = true;
    outbox_pump();
    return true;
}

uint8_t *outbox_short(void)
{
    return sending == SHORT && port_sending() ? 0 : short_bytes + 1;
}

void outbox_send_short(uint16_t length)
{
    short_length = frame_seal(short_bytes, length);
    outbox_pump();
}

void outbox_pump(void)
{
    if (port_sending())
        return;
    sending = NONE;
    if (short_length > 0) {
        sending = SHORT;
        port_send(short_bytes, short_length);
        short_length = 0;
        return;
    }
    for (uint8_t back = BRIDGE_WINDOW; back > 0; back--) {
        uint8_t n = index_of(back);
        if (answers[n].to_send) {
            answers[n].to_send = false;
            sending = n;
            port_send(answers[n].bytes, answers[n].length);
            return;
        }
    }
}
