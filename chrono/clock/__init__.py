"""Compare the board's counter with the computer's clock, to find the counter's rate error.

The input is the beats of the board (regular time messages), and the time at which the computer
(the host) read each beat. The output is the rate error of the counter with its uncertainty.
This package does not use shots, files or screens.
"""
