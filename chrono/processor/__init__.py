"""Turn the edges of both gates into shots.

The stages run in this order: build a continuous time, group edges into passages, separate
flicker, pair the passages of both gates, and make shots. The caller can pass any number of
events at a time; the shots stay the same. A shot never changes after the processor has returned
it. All times are in counter units.

The package compares the lengths of bodies but does not measure them. It does not compute
speeds.
"""
