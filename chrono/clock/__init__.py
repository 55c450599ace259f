"""The board's counter against the host's clock: how wrong its rate is.

In: the beats of batches, each with the host's time of reading; out: the rate's error with its
uncertainty, from the lower envelope of the delays.
Does not know about shots, files and screens.
"""
