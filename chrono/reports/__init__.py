"""All output of the program: texts, tables, objects for JSON, and files.

In: sessions, budgets and plans that other rooms computed. Out: sentences and rows about them.
Text from outside is made harmless.
This room knows nothing about bytes and screens, and it computes nothing.
"""
