// The self-test: pulses on the pulse pin, each told to the host by a beat at its moment. The
// notes (wire_format.md) say what comes in which order.

#ifndef SELF_TEST_H
#define SELF_TEST_H

#include <stdbool.h>
#include <stdint.h>

void start_self_test(void);

// Plays what is due by now. To be called often.
void go_on_with_self_test(uint32_t now);

bool is_self_test_running(void);

// The counter at the oldest change of the pulse pin that no beat has told yet, if it is not
// after `until`; false: there is none.
bool is_pulse_untold(uint32_t until, uint32_t *counter);
void take_pulse(void);

#endif
