"""The virtual board simulates launches through two gates.

The input is a scenario and a seed, such as `virtual://two-bands?seed=1`. The output is the
lines that a real board would send, in real time or all at once. pyserial opens the virtual
board like any other port.
"""
