// Bytes and lines of wire format 1, sent while the clock is kept.
#pragma once

#include <stdint.h>

#include "capture.h"

void start_wire();

// What started the chip.
enum Start { BY_POWER, BY_BROWN_OUT, BY_WATCHDOG, BY_RESET_PIN, BY_UNKNOWN };

// A line is sent as it is made, byte by byte, and the time is kept between two bytes. Edges,
// late edges and beats share one sequence number; a hello has none and restarts nothing.
void send_hello(Start cause);
void send_edge(const Edge &edge);
void send_beat(const State &state);

// The levels as they were measured last; like a hello without a number.
void send_levels();

// True from the host's "?\n" until a hello is sent.
bool hello_wanted();

// True once after the host has asked for the self-test, with `!` and a newline.
bool self_test_wanted();

// True once after the host has asked for the sensors' levels, with `=` and a newline.
bool levels_wanted();
