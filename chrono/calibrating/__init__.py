"""From recordings made for the purpose to a calibrated rig: clock, swap, drop, rods.

In: recordings and what the user knows (a height, lengths, which shots were taken when); out:
a value with its uncertainty, date and evidence, and the rig's keys that it replaces.
Does not know about screens.
"""
