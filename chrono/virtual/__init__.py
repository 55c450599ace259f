"""The virtual board: launches through two gates that only exist as numbers.

In: a scenario and a seed (`virtual://two-bands?seed=1`); out: the lines of a real board, in
real time or at once. pyserial opens it like any port.
Does not know how lines are read and measured.
"""
