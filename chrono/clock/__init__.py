"""Compare the board's counter with the host's clock to find the error of its rate.

In: the beats of batches, each with the host's time of reading. Out: the rate's error with its
uncertainty, from the lower envelope of the delays. This room does not know about shots, files
and screens.
"""
