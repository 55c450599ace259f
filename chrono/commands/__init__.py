"""The commands of the program, with one file for each subject.

Each command calls a function of another package, which computes the result. Input: the words
that the user typed. Output: results on standard output, messages on standard error, and the
exit code. A command imports other modules only when it runs.
"""
