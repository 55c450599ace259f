"""Calibrate a rig from recordings of one of four tests: clock, swap, drop or rods.

The package needs recordings, and facts that the user measured, such as the height of a fall.
The result is a calibrated value with its uncertainty, and the new values for the rig file.
"""
