"""Find many recordings, do the same work on each, and return the results in order.

The input is the names of files, folders or patterns, and a function that works on one
recording. The output is the result of the function for each recording, in order. One or more
processor cores do the work. This package shows nothing on a screen, and reads no command
options. This package does not know how to read and measure a recording: the function does this.
"""
