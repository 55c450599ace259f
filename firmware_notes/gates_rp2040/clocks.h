// The clocks: everything runs from the crystal of 12 MHz.

#ifndef CLOCKS_H
#define CLOCKS_H

#include "chip.h"

#define CYCLES_HZ 125000000

// Takes blocks of the chip out of reset.
void wake_blocks(uint32_t blocks);

// The system at 125 MHz, USB at 48 MHz, the timer and the watchdog in microseconds.
void start_clocks(void);

// Restarts the chip unless it is called again within a quarter of a second.
void feed_watchdog(void);
void start_watchdog(void);

// What started the chip, as the hello has it; known once the watchdog runs.
const char *cause_of_start(void);

#endif
