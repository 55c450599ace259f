"""Judge whether the gates, the link and the clock are ready for shooting.

Input: decoded lines and finished shots, as they come. Output: the observations of the last
minute, and the result of each check.
This package does not use ports, files or screens.
"""
