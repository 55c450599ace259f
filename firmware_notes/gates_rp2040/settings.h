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

// The gate's resistors in units of 100 ohm, as firmware_notes/gate.md has them, and what OUT gives
// while the beam is clear and blocked, with R6 on 3.3 V. The comparator's thresholds are computed
// from these and the voltage at the trimmer, to be shown while the beams are aligned; no edge
// depends on them.
#ifndef GATES_R3
#define GATES_R3 100
#endif
#ifndef GATES_RV1
#define GATES_RV1 100
#endif
#ifndef GATES_R4
#define GATES_R4 100
#endif
#ifndef GATES_R5
#define GATES_R5 4700
#endif
#ifndef GATES_OUT_LOW_MV
#define GATES_OUT_LOW_MV 300
#endif
#ifndef GATES_OUT_HIGH_MV
#define GATES_OUT_HIGH_MV 3290
#endif
#define SUPPLY_MV 5000u // of the gates
#define ADC_REFERENCE_MV 3300

#define FIRMWARE_VERSION "1.2"

// Pins, by their GP numbers.
#define PIN_A 2
#define PIN_B 3
#define PIN_PULSE 4  // plays known pulses for the self-test
#define PIN_LIGHT_A 26
#define PIN_LIGHT_B 27
#define PIN_TRIMMERS 28
#define PIN_TRIMMER_A 21
#define PIN_TRIMMER_B 22
#define PIN_LED 25   // lights while a beam is blocked
// The state machine that tells the time watches this pin's input, which the chip itself turns
// round inside; nothing of it is seen outside. On a Pico it is wired to nothing that matters.
#define PIN_CLOCK 24

#endif
