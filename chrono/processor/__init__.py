"""From edges to shots: timebase, passages, flicker, pairing, matching, launches.

In: events of any number at a time; out: shots in counter units, each final when given out.
Pure functions and small carriers of state over arrays; how the stream is cut plays no part.
Knows nothing of lines, files and speeds: lengths are only compared here, never measured.
"""
