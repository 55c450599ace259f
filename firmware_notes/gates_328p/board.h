// The board as a whole: what it does at the start and over and over.
#pragma once

void start_board();

// One round: at most one line is sent.
void run_board();
