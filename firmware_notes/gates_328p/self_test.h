// The self-test: pulses on D9, each told to the host by a beat at its moment. The notes
// (wire_format.md) say what comes in which order.
//
// Timer1 itself turns the pin, at a count that is known before. Edges at both gates at the same
// moment would hold each other up, so one gate is listened to at a time, A and B in turn.
#pragma once

#include <stdint.h>

void start_self_test(uint32_t now);

bool is_self_test_running();

// Plays what is due; true when the host is to be told of it by a beat with this counter.
bool play_what_is_due(uint32_t now, uint32_t &counter);
