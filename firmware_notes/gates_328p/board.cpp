#include "board.h"

#include <avr/io.h>
#include <avr/wdt.h>

#include "capture.h"
#include "self_test.h"
#include "levels.h"
#include "settings.h"
#include "wire.h"

namespace {

// The cause of the start, copied from MCUSR. The start of the program does not clear .noinit.
uint8_t reset_flags __attribute__((section(".noinit")));

uint32_t last_beat;
uint16_t unevenness;

// Beats come at uneven moments, 0 to 65 ms after the full second (the golden ratio spreads
// them best). Regular beats would follow a port that delivers data at fixed intervals. Then a
// calibration from the delays of the beats would measure the clock of the port.
bool is_beat_due() { return keep_time() - last_beat >= F_CPU + (uint32_t(unevenness) << 4); }

void beat() {
    const State state = board_state();
    last_beat = state.counter;
    unevenness += 40503;
    send_beat(state);
}

// Several flags may be set, because a bootloader may restart the chip by its watchdog. Causes from
// outside come first. If a bootloader clears the flags, the cause is unknown.
Start cause_of_start() {
    if (reset_flags & _BV(PORF)) return BY_POWER;
    if (reset_flags & _BV(BORF)) return BY_BROWN_OUT;
    if (reset_flags & _BV(EXTRF)) return BY_RESET_PIN;
    if (reset_flags & _BV(WDRF)) return BY_WATCHDOG;
    return BY_UNKNOWN;
}

void greet() {
    send_hello(cause_of_start());
    beat();
}

// This is a separate function because its stack frame is made with interrupts switched off.
__attribute__((noinline)) void tell_change(uint32_t counter) {
    last_beat = counter;
    send_beat(state_as_told(counter));
}

// Report a change of the pulse pin after all edges that came before it.
void go_on_with_test() {
    static uint32_t counter;
    if (is_edge_waiting() || !play_what_is_due(keep_time(), counter)) return;
    tell_change(counter);
}

// Send levels to a user who aligns the beams. All other lines go first.
void go_on_with_levels() {
    if (levels_wanted()) ask_for_levels(keep_time());
    if (!is_edge_waiting() && measure_levels(keep_time())) send_levels();
}

void show_light() {
    if (is_any_blocked()) PORTB |= _BV(PB5);
    else PORTB &= ~_BV(PB5);
}

} // namespace

// After it has reset the chip, the watchdog keeps running with its shortest time. Stop it.
__attribute__((naked, used, section(".init3"))) void stop_watchdog() {
    reset_flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

void start_board() {
    DDRB |= _BV(PB5);
    start_capture();
    start_wire();
    if (GATES_WATCHDOG) wdt_enable(WDTO_250MS);
    greet();
}

void run_board() {
    wdt_reset();
    show_light();
    static Edge edge; // static, because a stack frame would be made with interrupts switched off
    if (take_edge(edge)) send_edge(edge);
    // While edges wait, a hello waits too, because the ring must be emptied before its epochs wrap.
    // If the ring is never empty, one hello per second is sent instead of a beat.
    if (is_self_test_running()) {
        go_on_with_test();
        return;
    }
    const bool due = is_beat_due();
    if (self_test_wanted() && !is_edge_waiting()) {
        greet();
        start_self_test(keep_time());
    } else if (hello_wanted() && (due || !is_edge_waiting())) greet();
    else if (due) beat();
    else go_on_with_levels();
}
