"""The commands of the program; each file contains the commands for one subject.

Each command calls a function of another package, which computes the result. The input is the
words that the user typed. The output is results on standard output, messages on standard error,
and the exit code. A command imports most other modules only when it runs.
"""
