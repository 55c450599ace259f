// The levels of the sensors and the thresholds of the comparators. The board measures them while
// the computer asks.

#ifndef LEVELS_H
#define LEVELS_H

#include <stdbool.h>
#include <stdint.h>

// All values are millivolts.
typedef struct {
    uint32_t light; // at the sensor
    uint32_t lower; // below this the comparator says "blocked"
    uint32_t upper; // above this the comparator says "clear"
} Levels;
extern Levels levels[2]; // of gate A, gate B

void start_levels(void);

// The computer has asked: measure for the next two seconds, or until the port is closed.
void ask_for_levels(uint32_t now);

// Measure if it is time. Return true ten times a second, when `levels` are new.
bool measure_levels(uint32_t now);

#endif
