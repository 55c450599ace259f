"""Compare the board's counter with the computer's clock, to find the counter's rate error.

Input: the board's beats, each with the time at which the computer (host) read it. Output: the
rate error with its uncertainty, from the lower envelope of the delays. This package does not
use shots, files or screens.
"""
