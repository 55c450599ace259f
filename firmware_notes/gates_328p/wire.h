// Bytes and lines of wire format 1, sent while the clock is kept.
#pragma once

#include <stdint.h>

#include "capture.h"

void start_wire();

// A line is sent as it is made, byte by byte, and keeps the time between two bytes.
void send_hello();
void send_edge(const Edge &edge);
void send_beat(const State &state);

// True once after the host has sent "?\n".
bool hello_wanted();
