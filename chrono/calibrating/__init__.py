"""Calibrate a rig from recordings made for this purpose: clock, swap, drop, rods.

In: recordings, and facts that the user knows (a height, lengths, which shots came first). Out:
a value with its uncertainty, date and evidence, and the keys of the rig that it replaces.
This room knows nothing about screens.
"""
