#include "self_test.h"

#include "stamps.h"

#define CHANGES 128                    // changes of the pulse pin, reported one by one
#define LEAST_STEPS (COUNTER_HZ / 400) // 2.5 ms between two changes, and up to 1 ms more
#define BURST_CHANGES 50
#define BURST_STEPS (COUNTER_HZ / 20000) // 50 us

static enum { RESTING, PLAYING, BEFORE_BURST, BURST, AFTER_BURST } part = RESTING;
static uint32_t changes;
static uint32_t last; // counter at the last change
static uint32_t pause;
static uint16_t random = 1;
static bool untold;

// The changes come at different places of the counter steps and of other regular events.
static uint32_t next_pause(void) {
    random = (uint16_t)(random >> 1 ^ (random & 1 ? 0xB400 : 0));
    return LEAST_STEPS + random % (COUNTER_HZ / 1000);
}

static void change(void) {
    if (!play(!(changes++ % 2), &last)) { // something holds the pin: stop the test
        stop_pulses();
        part = RESTING;
        return;
    }
    untold = true;
    pause = next_pause();
}

static void play_burst(void) {
    for (int n = 0; n < BURST_CHANGES; n++) {
        uint32_t moment;
        if (!play(!(n % 2), &moment)) break;
        while (steps_between(moment, read_counter()) < BURST_STEPS) {
        }
    }
}

void start_self_test(void) {
    start_pulses();
    last = read_counter();
    changes = 0;
    pause = LEAST_STEPS;
    untold = false;
    part = PLAYING;
}

static void tell_moment(uint32_t now) {
    last = now;
    untold = true;
}

void go_on_with_self_test(uint32_t now) {
    if (part == RESTING || untold || steps_between(last, now) < pause) return;
    switch (part) {
        case PLAYING:
            change();
            if (changes == CHANGES && part == PLAYING) part = BEFORE_BURST;
            return;
        case BEFORE_BURST:
            tell_moment(now);
            part = BURST;
            return;
        case BURST:
            play_burst();
            last = now;
            part = AFTER_BURST;
            return;
        default:
            tell_moment(now);
            stop_pulses();
            part = RESTING;
    }
}

bool is_self_test_running(void) { return part != RESTING || untold; }

bool is_pulse_untold(uint32_t until, uint32_t *counter) {
    *counter = last;
    return untold && steps_between(last, until) <= COUNTER_MASK / 2;
}

void take_pulse(void) { untold = false; }
