"""The commands, one file per subject; each command calls one function of another room.

In: what the user typed; out: results on standard output, messages on standard error, the exit
code. A command imports what it needs only when it runs.
Knows nothing about how results are computed.
"""
