"""The commands, a file for each subject; every one calls one function elsewhere.

In: what the user typed; out: results on standard output, words on standard error, the exit
code. Each loads what it needs only when it runs.
Knows nothing of how anything is computed.
"""
