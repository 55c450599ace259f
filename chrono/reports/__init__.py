"""Make all output of the program: texts, tables, objects for JSON, and files.

This package describes sessions, error budgets and plans that other packages computed, in
sentences and table rows. In text from files and users, the package replaces characters that
could control a terminal. The package knows nothing about bytes and screens, and it computes no
results.
"""
