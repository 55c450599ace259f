"""The user's description of the rig: gates, clock, body, window of speeds, site.

In: a TOML file, or a recording's record. Out: a `Rig` in SI units, or all errors of the file
together. This room also writes starter files and calibrated values, and keeps a copy of each
changed file. It describes the content of each kind of lines.
It knows nothing about recordings, edges and speeds.
"""
