// Two light gates on an ATmega328P at 16 MHz. The board sends wire format 1 at 250000 baud.
//
// Gate A is at D2 and gate B is at D3. Each gate gives 5 V while its beam is blocked (or 0 V, see
// settings.h). The exact wiring also needs A xor B, from one gate of a 74HC86, at D8. The LED at
// D13 lights while a beam is blocked. All settings are in settings.h.
//
// Low voltage only: the sensors use the 5 V of the board. Connect nothing to the mains.
// Before you launch anything, read the cautions in the notes.

#include "board.h"

void setup() { start_board(); }

void loop() { run_board(); }
