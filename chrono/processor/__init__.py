"""From edges to shots: timebase, passages, flicker, pairing, matching, launches.

In: any number of events at a time; out: shots in counter units, each final when given out.
Pure functions, and small objects that carry state, over arrays. How the stream is cut does not
matter. It does not know about lines, files and speeds: lengths are only compared here, never
measured.
"""
