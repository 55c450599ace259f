"""The virtual board simulates launches through two gates.

In: a scenario and a seed (`virtual://two-bands?seed=1`). Out: the lines of a real board, in
real time or at once. pyserial opens the virtual board like any port.
This room does not know how lines are read and measured.
"""
