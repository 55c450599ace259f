// Settings of the firmware. Edit them here, or give -DNAME=value on the command line.
#pragma once

#define ON_INT 0 // gate A at D2 (INT0), gate B at D3 (INT1)
#define ON_ICP 1 // as ON_INT, and also A xor B (one 74HC86 gate) at D8 (ICP1)

#ifndef GATES_WIRING
#define GATES_WIRING ON_INT
#endif

// A baud rate that divides F_CPU / 8 is exact: 250000, 500000, 1000000, 2000000 at 16 MHz.
#ifndef GATES_BAUD
#define GATES_BAUD 250000UL
#endif

// Level at the pin while the beam is blocked: 1, or 0 for a sensor with the opposite level.
#ifndef GATES_BLOCKED_LEVEL
#define GATES_BLOCKED_LEVEL 1
#endif

// With 1 the chip restarts if its program hangs for 250 ms. Set 0 if an old bootloader does not
// switch the watchdog off (the board then restarts again and again, and its LED flickers).
#ifndef GATES_WATCHDOG
#define GATES_WATCHDOG 1
#endif

// Counter value at the start. Only a test of the wrap of the counter needs a value other than 0.
#ifndef GATES_COUNTER_START
#define GATES_COUNTER_START 0UL
#endif

// The resistors of the gate in units of 100 ohm (firmware_notes/gate.md), and the voltage of OUT
// while the beam is clear and blocked. From these values and the voltage at the trimmer the board
// computes the thresholds of the comparator. They are shown for aligning; no edge depends on them.
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
#define SUPPLY_MV 5000 // nominal voltage of USB

#ifndef F_CPU
#error "F_CPU, the board's clock in Hz, is not set (16000000UL on the usual boards)"
#endif

#if GATES_WIRING != ON_INT && GATES_WIRING != ON_ICP
#error "GATES_WIRING is ON_INT or ON_ICP"
#endif

// At 16 MHz, 115200 baud would really be 117647 baud. This is 2.1 % too fast, and a receiver can
// stand about twice this error.
#if F_CPU % (8 * GATES_BAUD) != 0
#error "this board cannot make GATES_BAUD exactly: take 250000, 500000 or 1000000"
#endif
