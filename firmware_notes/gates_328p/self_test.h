// The self-test: the board makes pulses on D9 and sends a beat with the moment of each pulse. The
// notes (wire_format.md) describe the order of the lines.
//
// Timer1 itself changes the pin, at a count that is known before. Edges at both gates at the same
// moment would delay each other, so the board listens to one gate at a time, A and B in turn.
#pragma once

#include <stdint.h>

void start_self_test(uint32_t now);

bool is_self_test_running();

// Make the next pulse if it is time. Return true if a beat with this counter must be sent.
bool play_what_is_due(uint32_t now, uint32_t &counter);
