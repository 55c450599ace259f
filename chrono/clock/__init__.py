"""Compare the board's counter with the computer's clock, to find the counter's rate error.

The input is the beats of the board (regular time messages). Each beat has the time at which the
computer (the host) read the beat. The output is the rate error of the counter with its
uncertainty. The rate error comes from a straight line through the smallest reading delays. This
package does not use shots, files or screens.
"""
