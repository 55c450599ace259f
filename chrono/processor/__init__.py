"""Turn the edges of both gates into shots.

The processor works in stages: timebase, passages, flicker, pairing, matching and launches. The
caller can pass any number of events at a time. The result is a table of shots, with all times
in counter units. After the processor has returned a shot, this shot never changes. This package
contains pure functions over arrays, and small objects that keep a state. The shots stay the
same if the caller cuts the stream of events into other pieces. The code of this package does
not depend on lines, files or speeds. The processor compares the lengths of bodies but does not
measure them.
"""
