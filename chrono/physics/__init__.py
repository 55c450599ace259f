"""Air, drag, gravity and flight: what a body does before, between and after the gates.

In: plain SI numbers; out: plain SI numbers, the source of each formula beside it.
Knows nothing of everything else here.
"""
