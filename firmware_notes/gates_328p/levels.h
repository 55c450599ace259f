// The sensors' levels, measured while the host asks for them, and the comparators' thresholds.
//
// The ADC works beside the program and no interrupt is part of it, so edges do not notice.
#pragma once

#include <stdint.h>

// In millivolts, if the supply has 5 V: all of them follow the supply.
struct Levels {
    uint16_t light; // at the sensor
    uint16_t lower; // below it the comparator says "blocked"
    uint16_t upper; // above it the comparator says "clear"
};
extern Levels levels[2]; // of gate A, gate B

// The host asks: measure for the next two seconds.
void ask_for_levels(uint32_t now);

// Goes on with the measuring; true ten times a second, when `levels` are new.
bool measure_levels(uint32_t now);
