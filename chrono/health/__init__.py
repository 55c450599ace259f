"""Judge whether the gates, the link and the clock are ready for shooting.

The package gets the decoded lines of the board and the finished shots. The package returns the
observations of the last minute, and the result of each check. This package does not use ports,
files or screens.
"""
