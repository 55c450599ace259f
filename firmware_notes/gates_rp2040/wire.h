// The lines of wire format 1, and the requests of the computer.

#ifndef WIRE_H
#define WIRE_H

#include <stdbool.h>
#include <stdint.h>

#include "stamps.h"

// Return true if there is room for one more line. If no program has opened the port, there is
// always room, and the line is dropped.
bool has_room(void);

void send_hello(void);
void send_edge(int gate, const Edge *edge);
// Send a beat with the levels and the number of losses that were reported so far.
void send_beat(uint32_t counter);

// Send the last measured levels. The line has no number.
void send_levels(void);

// Send the waiting lines, or drop them if the port is closed.
void flush_wire(void);

// Return true if the computer has asked since the last call: `?` and a newline for a hello, `!` and
// a newline for the self-test, `=` and a newline for the levels. If a program opens the port, the
// board sends a hello without a request.
bool is_hello_wanted(void);
bool is_self_test_wanted(void);
bool are_levels_wanted(void);

#endif
