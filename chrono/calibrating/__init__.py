"""Calibrate a rig from recordings of one of four tests: clock, swap, drop or rods.

The package reads recordings, and gets facts that the user knows (a height, lengths, which shots
came first). The result is a calibrated value with its uncertainty, its date and its evidence.
The package also returns the keys of the rig file that get a new value. This package shows
nothing on a screen.
"""
