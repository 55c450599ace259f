"""Compute how air and gravity move a body before, between and after the gates.

Input and output are plain numbers in SI units. Each function names the source of its formula.
"""
