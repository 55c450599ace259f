"""The virtual board: launches through two gates that exist as numbers only.

In: a scenario and a seed (`virtual://two-bands?seed=1`); out: the lines of a real board, in
real time or at once, through pyserial's own way of opening a port.
Knows nothing of how lines are read and measured.
"""
