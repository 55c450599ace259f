"""Turn the edges of both gates into shots.

The stages are timebase, passages, flicker, pairing, matching and launches. The input is any
number of events at a time. The output is shots in counter units. A shot never changes after it
was returned. This package contains pure functions over arrays, and small objects that keep a
state. The shots do not depend on how the stream is cut into pieces. The package does not use
lines, files or speeds. It compares lengths but does not measure them.
"""
