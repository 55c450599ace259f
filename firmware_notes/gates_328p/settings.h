// What can be chosen before building: edit here, or give -DNAME=value on the command line.
#pragma once

#define ON_INT 0 // gate A on D2 (INT0), gate B on D3 (INT1), nothing else
#define ON_ICP 1 // as ON_INT, and A xor B (one 74HC86 gate) on D8 (ICP1)

#ifndef GATES_WIRING
#define GATES_WIRING ON_INT
#endif

// Any baud that divides F_CPU / 8 is exact: 250000, 500000, 1000000, 2000000 at 16 MHz.
#ifndef GATES_BAUD
#define GATES_BAUD 250000UL
#endif

// Level at the pin while the beam is blocked: 1, or 0 for a sensor that works the other way.
#ifndef GATES_BLOCKED_LEVEL
#define GATES_BLOCKED_LEVEL 1
#endif

// A stuck program is restarted after 250 ms. Set 0 on a board whose old bootloader does not
// switch the watchdog off (it then restarts for ever, its LED flickering).
#ifndef GATES_WATCHDOG
#define GATES_WATCHDOG 1
#endif

// Counter value at the start. Only a test of the counter's wrap wants another one than 0.
#ifndef GATES_COUNTER_START
#define GATES_COUNTER_START 0UL
#endif

// The gate's resistors in units of 100 ohm, as firmware_notes/gate.md has them, and what OUT gives
// while the beam is clear and blocked. The comparator's thresholds are computed from these and the
// voltage at the trimmer, to be shown while the beams are aligned; no edge depends on them.
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
#define GATES_OUT_HIGH_MV 4990
#endif
#define SUPPLY_MV 5000 // of USB, as good as it is

#ifndef F_CPU
#error "F_CPU, the board's clock in Hz, is not set (16000000UL on the usual boards)"
#endif

#if GATES_WIRING != ON_INT && GATES_WIRING != ON_ICP
#error "GATES_WIRING is ON_INT or ON_ICP"
#endif

// 115200 at 16 MHz is 117647 in truth, 2.1 % fast, which uses up half of what a receiver bears.
#if F_CPU % (8 * GATES_BAUD) != 0
#error "this board cannot make GATES_BAUD exactly: take 250000, 500000 or 1000000"
#endif
