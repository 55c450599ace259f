"""What leaves the program: texts, tables and objects for JSON, and files for others.

In: sessions, budgets, plans as computed elsewhere; out: their words and rows, text from
outside made harmless.
Knows nothing of bytes and screens, and computes nothing.
"""
