"""Read, check and write the user's description of a rig.

A rig consists of two gates, a clock, a body, limits for the speed, and the site.
Input: a TOML file, or the rig in a recording. Output: a `Rig` in SI units, or a list of all
errors in the file. This package also writes starter files and calibrated values, and it copies
each file before a change. It also describes the kinds of lines that boards send.
It does not use recordings, edges or speeds.
"""
