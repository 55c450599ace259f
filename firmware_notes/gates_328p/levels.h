// The levels of the sensors and the thresholds of the comparators. The board measures them while
// the computer asks.
//
// The ADC works without the program and without interrupts, so it does not disturb edges.
#pragma once

#include <stdint.h>

// Millivolts, if the supply voltage is 5 V. All values change with the supply voltage.
struct Levels {
    uint16_t light; // at the sensor
    uint16_t lower; // below this the comparator says "blocked"
    uint16_t upper; // above this the comparator says "clear"
};
extern Levels levels[2]; // of gate A, gate B

// The computer has asked: measure for the next two seconds.
void ask_for_levels(uint32_t now);

// Continue to measure. Return true ten times a second, when `levels` are new.
bool measure_levels(uint32_t now);
