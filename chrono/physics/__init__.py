"""Air, drag, gravity and flight: what a body does before, between and after the gates.

In: plain SI numbers; out: plain SI numbers. Each formula states its source.
This room does not know about any other room.
"""
