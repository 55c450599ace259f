// The clocks: the crystal of 12 MHz drives all of them.

#ifndef CLOCKS_H
#define CLOCKS_H

#include "chip.h"

#define CYCLES_HZ 125000000

// Take blocks of the chip out of reset.
void wake_blocks(uint32_t blocks);

// Start the system clock at 125 MHz, USB at 48 MHz, and timer and watchdog in microseconds.
void start_clocks(void);

// Call this at least every quarter of a second, or the watchdog restarts the chip.
void feed_watchdog(void);
void start_watchdog(void);

// Return the cause of the start, as in the hello. It is known after start_watchdog().
const char *cause_of_start(void);

#endif
