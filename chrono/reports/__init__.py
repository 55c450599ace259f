"""Make all output of the program: texts, tables, objects for JSON, and files.

In: sessions, budgets and plans that other rooms computed. Out: sentences and rows about them.
In text from outside, characters that could control a terminal are replaced.
This room knows nothing about bytes and screens, and it computes nothing.
"""
