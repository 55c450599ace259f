"""The commands of the program; each file contains the commands for one subject.

Each command calls a function of another package, which computes the result. The command prints
results on standard output and messages on standard error. A command imports most other modules
only when it runs.
"""
