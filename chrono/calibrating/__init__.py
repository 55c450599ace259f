"""Calibrate a rig from recordings of one of four tests: clock, swap, drop or rods.

The input is recordings, and facts that the user knows (a height, lengths, which shots came
first). The output is a value with its uncertainty, its date and its evidence, and the keys that
the value replaces in the rig file. This package does not know about screens.
"""
