// All settings of the firmware. `make OPTIONS="-DGATES_BLOCKED_LEVEL=0"` overrides a setting.

#ifndef SETTINGS_H
#define SETTINGS_H

// Level of the pin while the beam is blocked. The gate of these notes gives 1.
#ifndef GATES_BLOCKED_LEVEL
#define GATES_BLOCKED_LEVEL 1
#endif

// With 1 the chip restarts if its program hangs for a quarter of a second.
#ifndef GATES_WATCHDOG
#define GATES_WATCHDOG 1
#endif

// Counter value at the start. The tests begin just below the wrap of the counter.
#ifndef GATES_COUNTER_START
#define GATES_COUNTER_START 0
#endif

// The buffer of each gate has 2 to the power of this number of places, but 64 places stay free.
#ifndef GATES_RING_BITS
#define GATES_RING_BITS 12
#endif

// Each DMA channel copies 2 to the power of this number of edges, then the other channel follows.
// The tests use a small number.
#ifndef GATES_ROUND_BITS
#define GATES_ROUND_BITS 31
#endif

// The resistors of the gate in units of 100 ohm (firmware_notes/gate.md), and the voltage of OUT
// while the beam is clear and blocked, with R6 at 3.3 V. From these values and the voltage at the
// trimmer the board computes the thresholds of the comparator. They are shown for aligning; no
// edge depends on them.
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
#define SUPPLY_MV 5000u // supply voltage of the gates
#define ADC_REFERENCE_MV 3300

#define FIRMWARE_VERSION "1.2"

// The pins by their GP numbers.
#define PIN_A 2
#define PIN_B 3
#define PIN_PULSE 4  // makes known pulses for the self-test
#define PIN_LIGHT_A 26
#define PIN_LIGHT_B 27
#define PIN_TRIMMERS 28
#define PIN_TRIMMER_A 21
#define PIN_TRIMMER_B 22
#define PIN_LED 25   // lights while a beam is blocked
// The state machine that reads the time watches the input of this pin. The chip switches this input
// internally, so the pin itself does not change. On a Pico the pin has no important connection.
#define PIN_CLOCK 24

#endif
