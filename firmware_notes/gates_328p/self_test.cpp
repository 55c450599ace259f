#include "self_test.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "capture.h"

namespace {

constexpr uint8_t CHANGES = 128; // changes of the pin, reported one by one
constexpr uint8_t BURST_CHANGES = 50;
constexpr uint16_t BURST_STEPS = F_CPU / 20000; // 50 us
constexpr uint32_t LEAST_STEPS = F_CPU / 300;   // from one change to the next, at 250 kbaud
constexpr uint8_t PULSE_PIN = _BV(PB1);

enum Part { RESTING, PLAYING, BEFORE_BURST, BURST, AFTER_BURST } part;
uint8_t changes;
uint32_t last;
uint16_t lottery = 1;

// Changes come at different places of the main loop, so that each interrupt waits for another
// instruction.
uint16_t draw() {
    lottery = lottery >> 1 ^ (lottery & 1 ? 0xB400 : 0);
    return lottery;
}

// The two bytes share a buffer with the reads of the handlers.
void set_match(uint16_t count) {
    cli();
    OCR1A = count;
    sei();
}

bool is_high() { return PINB & PULSE_PIN; }

void turn_at_match(bool high) { TCCR1A = _BV(COM1A1) | (high ? _BV(COM1A0) : 0); }

void leave_to_port(bool high) {
    if (high) PORTB |= PULSE_PIN;
    else PORTB &= ~PULSE_PIN;
    TCCR1A = 0;
}

// Let Timer1 change the pin a little later. Return false if something outside holds the pin.
bool change(bool high, uint32_t now, uint32_t &counter) {
    counter = now + 800 + draw() % 256;
    set_match(uint16_t(counter));
    turn_at_match(high);
    uint16_t tries = 1000;
    while (is_high() != high && tries) tries--;
    leave_to_port(high);
    return tries;
}

void play_burst() {
    uint16_t at;
    do at = uint16_t(keep_time()) + 1000;
    while (at > 20000); // all changes within one turn of Timer1
    for (uint8_t n = 0; n < BURST_CHANGES; n++) {
        const bool high = !(n & 1);
        set_match(at);
        turn_at_match(high);
        for (uint8_t tries = 255; is_high() != high && tries; tries--) keep_time();
        leave_to_port(high);
        at += BURST_STEPS;
    }
}

void stop() {
    leave_to_port(false);
    DDRB &= ~PULSE_PIN;
    listen_to(TO_BOTH);
    part = RESTING;
}

} // namespace

void start_self_test(uint32_t now) {
    leave_to_port(false);
    DDRB |= PULSE_PIN;
    changes = 0;
    last = now;
    part = PLAYING;
}

bool is_self_test_running() { return part != RESTING; }

bool play_what_is_due(uint32_t now, uint32_t &counter) {
    if (now - last < LEAST_STEPS + (draw() & 0x0FFF)) return false;
    if (uint16_t(now) > 60000) return false; // simavr may miss a match after the wrap of Timer1
    last = counter = now;
    switch (part) {
        case PLAYING: {
            const bool high = !(changes & 1);
            if (high) listen_to(changes & 2 ? TO_B : TO_A);
            if (!change(high, now, counter)) {
                stop();
                return false;
            }
            last = counter;
            if (++changes == CHANGES) part = BEFORE_BURST;
            return true;
        }
        case BEFORE_BURST:
            listen_to(TO_BOTH);
            part = BURST;
            return true;
        case BURST:
            play_burst();
            part = AFTER_BURST;
            return false;
        default:
            stop();
            return true;
    }
}
