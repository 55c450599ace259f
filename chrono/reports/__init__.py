"""Make all output of the program: texts, tables, objects for JSON, and files.

In text from files and users, this package replaces characters that could control a terminal.
"""
