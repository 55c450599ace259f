"""The user's description of the rig: gates, clock, body, window of speeds, site.

In: a TOML file, or a recording's record; out: a `Rig` in SI units, or all that is wrong
with the file at once. Also writes starters and calibrated values, never without a copy, and
says what each kind of lines bears.
Knows nothing of recordings, edges and speeds.
"""
