// Two light gates on an ATmega328P at 16 MHz, speaking wire format 1 at 250000 baud.
//
// Gate A on D2, gate B on D3, each giving 5 V while its beam is blocked (settings.h turns
// that round); for the exact wiring also A xor B, from one gate of a 74HC86, on D8. The LED
// on D13 lights while a beam is blocked. Everything that can be chosen stands in settings.h.
//
// Low voltage only: the sensors run from the board's 5 V, nothing here may touch the mains.
// Before anything is launched, read the cautions in the notes.

#include "board.h"

void setup() { start_board(); }

void loop() { run_board(); }
