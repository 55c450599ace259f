// The work of the whole board: at the start, and in each round of the main loop.
#pragma once

void start_board();

// Do one round of the main loop and send at most one line.
void run_board();
