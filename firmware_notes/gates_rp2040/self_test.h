// The self-test: the board makes pulses on the pulse pin and sends a beat with the moment of each
// pulse. The notes (wire_format.md) describe the order of the lines.

#ifndef SELF_TEST_H
#define SELF_TEST_H

#include <stdbool.h>
#include <stdint.h>

void start_self_test(void);

// Make the next pulse if it is time. Call this often.
void go_on_with_self_test(uint32_t now);

bool is_self_test_running(void);

// Store the counter of the oldest change of the pulse pin that no beat has reported yet. Return
// false if there is no such change, or if it is after `until`.
bool is_pulse_untold(uint32_t until, uint32_t *counter);
void take_pulse(void);

#endif
