// The sensors' levels, measured while the host asks for them, and the comparators' thresholds.

#ifndef LEVELS_H
#define LEVELS_H

#include <stdbool.h>
#include <stdint.h>

// In millivolts.
typedef struct {
    uint32_t light; // at the sensor
    uint32_t lower; // below it the comparator says "blocked"
    uint32_t upper; // above it the comparator says "clear"
} Levels;
extern Levels levels[2]; // of gate A, gate B

void start_levels(void);

// The host asks: measure for the next two seconds, or until the port is closed.
void ask_for_levels(uint32_t now);

// Measures when that is due; true ten times a second, when `levels` are new.
bool measure_levels(uint32_t now);

#endif
