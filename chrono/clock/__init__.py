"""The board's counter against the host's clock: how far its rate is off.

In: the beats of batches, each with the host's time of reading; out: the rate's error with
its uncertainty, from the lower envelope of the delays.
Knows nothing of shots, files and screens.
"""
