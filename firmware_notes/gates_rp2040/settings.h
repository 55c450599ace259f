// Everything that can be chosen. `make OPTIONS="-DGATES_BLOCKED_LEVEL=0"` overrides.

#ifndef SETTINGS_H
#define SETTINGS_H

// Pin level while the beam is blocked; the gate of these notes gives 1.
#ifndef GATES_BLOCKED_LEVEL
#define GATES_BLOCKED_LEVEL 1
#endif

// Restarts a stuck program after a quarter of a second.
#ifndef GATES_WATCHDOG
#define GATES_WATCHDOG 1
#endif

// Where the counter begins. The tests begin just below its wrap.
#ifndef GATES_COUNTER_START
#define GATES_COUNTER_START 0
#endif

// Room for 2 to the power of this many edges of each gate, 64 less in truth.
#ifndef GATES_RING_BITS
#define GATES_RING_BITS 12
#endif

// How many edges of a gate one DMA channel carries before the other one follows, as a power of 2.
// The tests take a small one.
#ifndef GATES_ROUND_BITS
#define GATES_ROUND_BITS 31
#endif

#define FIRMWARE_VERSION "1.1"

// Pins, by their GP numbers.
#define PIN_A 2
#define PIN_B 3
#define PIN_PULSE 4  // plays known pulses for the self-test
#define PIN_LED 25   // lights while a beam is blocked
// The state machine that tells the time watches this pin's input, which the chip itself turns
// round inside; nothing of it is seen outside. On a Pico it is wired to nothing that matters.
#define PIN_CLOCK 24

#endif
