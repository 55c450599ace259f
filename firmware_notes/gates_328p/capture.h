// Edges and their time: two interrupt handlers fill a ring, the main loop empties it.
//
// Timer1 counts clock cycles in 16 bits. The handlers store those 16 bits and one byte that
// tells in which half turn of Timer1 the edge fell; the main loop widens both to 32 bits. No
// overflow flag is looked at and interrupts are never held off, so there is no race between
// an edge and an overflow, and the only thing that delays a handler is the other handler.
#pragma once

#include <stdint.h>

struct Edge {
    uint32_t counter; // clock cycles
    char gate;        // 'A' or 'B'
    bool blocked;
    bool late; // the counter is good for pairing, not for timing
};

// Start Timer1 and the handlers.
void start_capture();

// Follow Timer1; the counter now. To be called every 30000 cycles (1.9 ms) or sooner.
uint32_t keep_time();

// True while there are edges to take.
bool is_edge_waiting();

// Take the oldest edge out of the ring; false if there is none.
bool take_edge(Edge &edge);

// True while a beam is blocked.
bool is_any_blocked();

// Listen to both gates, or to one alone; what the other one did meanwhile is thrown away.
enum Listening { TO_BOTH, TO_A, TO_B };
void listen_to(Listening gates);

struct State {
    uint32_t counter; // all edges before it have been taken
    bool a_blocked;
    bool b_blocked;
    uint16_t lost; // edges lost since the start, 65535 at most
};

// Where the board stands: the time up to which all edges are taken, and the gates then.
State board_state();

// Where the edges taken so far have led, told of another moment.
State state_as_told(uint32_t counter);
