"""The user's description of the rig: gates, clock, body, window of speeds, site.

In: a TOML file, or a recording's record; out: a `Rig` in SI units, or all errors of the file at
once. It also writes starter files and calibrated values, never without a copy, and describes
what each kind of lines contains.
Does not know about recordings, edges and speeds.
"""
