"""The commands, one file per subject. Each command calls one function of another room.

Input: the words that the user typed. Output: results on standard output, messages on standard
error, the exit code. A command imports what it needs only when it runs. This room does not
know how results are computed.
"""
