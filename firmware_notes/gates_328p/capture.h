// Edges and their times: two interrupt handlers fill a ring buffer, and the main loop empties it.
//
// Timer1 counts clock cycles in 16 bits. The handlers store these 16 bits and one byte with the
// half turn of Timer1 in which the edge came. The main loop computes 32 bits from both. The code
// reads no overflow flag and never switches interrupts off. So there is no race between an edge
// and an overflow, and a handler can be delayed only by the other handler.
#pragma once

#include <stdint.h>

struct Edge {
    uint32_t counter; // clock cycles
    char gate;        // 'A' or 'B'
    bool blocked;
    bool late; // the counter is exact enough to find pairs of edges, but not to time them
};

// Start Timer1 and the handlers.
void start_capture();

// Follow Timer1 and return the counter. Call this at least every 30000 cycles (1.9 ms).
uint32_t keep_time();

// Return true while edges wait in the ring.
bool is_edge_waiting();

// Take the oldest edge out of the ring. Return false if the ring is empty.
bool take_edge(Edge &edge);

// Return true while a beam is blocked.
bool is_any_blocked();

// Listen to both gates or to one gate. Edges of a gate that came while nobody listened are dropped.
enum Listening { TO_BOTH, TO_A, TO_B };
void listen_to(Listening gates);

struct State {
    uint32_t counter; // all edges before this moment have been taken
    bool a_blocked;
    bool b_blocked;
    uint16_t lost; // edges lost since the start, 65535 at most
};

// Return the time up to which all edges are taken, and the levels of the gates at this time.
State board_state();

// Return the levels of the gates after the edges taken so far, with the given counter.
State state_as_told(uint32_t counter);
