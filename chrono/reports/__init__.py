"""All output of the program: texts, tables, objects for JSON, and files.

In: sessions, budgets and plans that other rooms computed; out: their sentences and rows, with
text from outside made harmless.
Knows nothing about bytes and screens, and computes nothing.
"""
