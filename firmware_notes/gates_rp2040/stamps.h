// Edges of the gates with their times, as the state machines measure them.

#ifndef STAMPS_H
#define STAMPS_H

#include <stdbool.h>
#include <stdint.h>

#include "clocks.h"

#define COUNTER_HZ (CYCLES_HZ / 2)
#define COUNTER_BITS 31
#define COUNTER_MASK ((1u << COUNTER_BITS) - 1)

typedef struct {
    uint32_t counter;
    bool blocked;
    bool late; // its time may be wrong
} Edge;

// Start the pins, the state machines, and the DMA to the RAM.
void start_stamps(void);

// Return the counter. oldest_edge() finds all edges up to this moment.
uint32_t read_counter(void);

// Return the number of steps from `earlier` to `later`, 0 to COUNTER_MASK.
uint32_t steps_between(uint32_t earlier, uint32_t later);

// Read the oldest edge of a gate (0, 1) that is not after `until`. An edge counts as lost if it was
// overwritten before it was taken, or if it waited for 8 seconds.
bool oldest_edge(int gate, uint32_t until, Edge *edge);
// Remove this edge.
void take_edge(int gate, const Edge *edge);
// Return the level of a gate after the edges that were taken.
bool is_told_blocked(int gate);
uint16_t edges_lost(void);

// Return true if a beam is blocked now (for the LED).
bool is_any_blocked(void);

// The pulse pin for the self-test. The board drives the pin only during the test. `play` stores the
// counter at the change. It returns false if the pin did not change.
void start_pulses(void);
bool play(bool high, uint32_t *counter);
void stop_pulses(void);

#endif
