// The lines of wire format 1, and the host's questions.

#ifndef WIRE_H
#define WIRE_H

#include <stdbool.h>
#include <stdint.h>

#include "stamps.h"

// Whether one more line fits into what waits for the host. While no program has the port open,
// it always does, and the line goes nowhere.
bool has_room(void);

void send_hello(void);
void send_edge(int gate, const Edge *edge);
// A beat with the levels and losses as told so far.
void send_beat(uint32_t counter);

// The levels as they were measured last; like a hello without a number.
void send_levels(void);

// Hands on what waits; forgets it when the port is closed.
void flush_wire(void);

// Whether the host asked since this was last called: `?` and a newline for a hello, `!` and a
// newline for the self-test, `=` and a newline for the levels. Who opens the port gets a hello unasked.
bool is_hello_wanted(void);
bool is_self_test_wanted(void);
bool are_levels_wanted(void);

#endif
