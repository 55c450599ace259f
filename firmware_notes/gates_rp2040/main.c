// Two light gates on an RP2040 at 125 MHz. The board sends wire format 1 over USB.
//
// Gate A is at GP2 and gate B is at GP3. Each gate gives 3.3 V while its beam is blocked. NEVER
// connect 5 V, because 5 V destroys the chip. The LED of the board lights while a beam is blocked.
// All settings are in settings.h.
//
// Low voltage only. Before you launch anything, read the cautions in the notes.

#include "clocks.h"
#include "levels.h"
#include "self_test.h"
#include "settings.h"
#include "stamps.h"
#include "usb.h"
#include "wire.h"

static uint32_t last_beat;
static uint16_t unevenness;

// Beats come at uneven moments, 0 to 65 ms after the full second (the golden ratio spreads
// them best). Regular beats would follow a port that delivers data at fixed intervals.
static bool is_beat_due(uint32_t now) {
    return steps_between(last_beat, now) >= COUNTER_HZ + 62u * unevenness;
}

// The next edge or pulse that was not reported yet, if it is not after `until`.
typedef struct {
    enum { NOTHING, AN_EDGE, A_PULSE } kind;
    int gate;
    Edge edge;
    uint32_t counter;
} Happening;

static Happening next_happening(uint32_t until) {
    Happening next = {.kind = NOTHING, .counter = until};
    for (int gate = 0; gate < 2; gate++) {
        Edge edge;
        if (!oldest_edge(gate, until, &edge)) continue;
        if (next.kind != NOTHING &&
            steps_between(edge.counter, until) <= steps_between(next.counter, until))
            continue;
        next = (Happening){AN_EDGE, gate, edge, edge.counter};
    }
    uint32_t pulse;
    if (is_pulse_untold(until, &pulse) &&
        (next.kind == NOTHING || steps_between(pulse, until) >= steps_between(next.counter, until)))
        next = (Happening){.kind = A_PULSE, .counter = pulse};
    return next;
}

// Send a beat with the moment up to which everything is reported.
static void beat(uint32_t counter, uint32_t now) {
    last_beat = now;
    unevenness += 40503;
    send_beat(counter);
}

static void greet(uint32_t counter, uint32_t now) {
    send_hello();
    beat(counter, now);
}

// Send levels to a user who aligns the beams. All other lines go first.
static void go_on_with_levels(uint32_t now) {
    if (are_levels_wanted()) ask_for_levels(now);
    if (!is_self_test_running() && measure_levels(now)) send_levels();
}

static void tell_happenings(uint32_t now) {
    while (true) {
        const Happening next = next_happening(now); // also if nobody listens: edges become old
        if (!has_room()) return;
        if (is_hello_wanted()) {
            greet(next.counter, now);
        } else if (is_self_test_wanted()) {
            greet(next.counter, now);
            start_self_test();
        } else if (is_beat_due(now) && !is_self_test_running()) {
            beat(next.counter, now);
        } else if (next.kind == A_PULSE) {
            beat(next.counter, now);
            take_pulse();
        } else if (next.kind == AN_EDGE) {
            send_edge(next.gate, &next.edge);
            take_edge(next.gate, &next.edge);
        } else {
            go_on_with_levels(now);
            return;
        }
    }
}

static void show_light(void) {
    REG(is_any_blocked() ? SIO_OUT_SET : SIO_OUT_CLEAR) = 1u << PIN_LED;
}

extern volatile bool is_woken; // set by interrupts, see start.c

// Sleep until USB needs service (also if it has asked before this call), or for a millisecond.
static void sleep(void) {
    REG(TIMER_INTR) = 1;
    REG(TIMER_ALARM) = REG(TIMER_LOW) + 1000;
    REG(NVIC_ENABLE) = IRQ_TIMER | IRQ_USB;
    __asm volatile("cpsid i"); // an interrupt can still end the sleep
    if (!is_woken) __asm volatile("wfi");
    __asm volatile("cpsie i");
    is_woken = false;
}

void main(void) {
    start_clocks();
    start_stamps();
    start_levels();
    start_usb();
    REG(TIMER_INTE) = 1;
    start_watchdog();
    last_beat = read_counter();
    while (true) { // the hello is sent when a program opens the port
        feed_watchdog();
        show_light();
        serve_usb();
        flush_wire();
        go_on_with_self_test(read_counter());
        tell_happenings(read_counter());
        flush_wire();
        sleep();
    }
}
