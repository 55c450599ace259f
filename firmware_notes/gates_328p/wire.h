// Send bytes and lines of wire format 1, and follow the clock at the same time.
#pragma once

#include <stdint.h>

#include "capture.h"

void start_wire();

// The cause of the start of the chip.
enum Start { BY_POWER, BY_BROWN_OUT, BY_WATCHDOG, BY_RESET_PIN, BY_UNKNOWN };

// Each line is made and sent byte by byte, and the code follows the clock between two bytes. Edges,
// late edges and beats share one sequence number. A hello has no number and restarts nothing.
void send_hello(Start cause);
void send_edge(const Edge &edge);
void send_beat(const State &state);

// Send the last measured levels. The line has no number.
void send_levels();

// Return true from the "?\n" of the computer until a hello is sent.
bool hello_wanted();

// Return true once after the computer has asked for the self-test, with `!` and a newline.
bool self_test_wanted();

// Return true once after the computer has asked for the levels, with `=` and a newline.
bool levels_wanted();
