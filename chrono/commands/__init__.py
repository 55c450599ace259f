"""The commands of the program; each file contains the commands for one subject.

A command prints results on standard output and messages on standard error. The command imports
most other modules only when it runs.
"""
