// Edges of the gates with their times, as the state machines stamp them.

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

// The pins, the state machines, the way into the RAM.
void start_stamps(void);

// The counter now. Edges up to it are where oldest_edge() finds them.
uint32_t read_counter(void);

// By how much `later` lies after `earlier`, 0 to COUNTER_MASK.
uint32_t steps_between(uint32_t earlier, uint32_t later);

// Looks at the oldest edge of a gate (0, 1) that is not after `until`. Edges that nobody took
// before they were overwritten, or for 8 seconds, are counted as lost.
bool oldest_edge(int gate, uint32_t until, Edge *edge);
// Takes that edge away.
void take_edge(int gate, const Edge *edge);
// Takes away what there is of a gate, as if nobody had to be told.

// Where the edges taken so far have led.
bool is_told_blocked(int gate);
uint16_t edges_lost(void);

// Whether a beam is blocked now, for the light.
bool is_any_blocked(void);

// The pulse pin, for the self-test: it drives only meanwhile. `play` tells the counter at its
// change; false: it did not change.
void start_pulses(void);
bool play(bool high, uint32_t *counter);
void stop_pulses(void);

#endif
