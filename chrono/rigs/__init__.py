"""Read, check and write the user's description of a rig.

A rig consists of two gates, a clock, a body, limits for the speed, and the site. The package
reads a rig from a TOML file, or from the JSON object in a recording. The package returns a
`Rig` in SI units, or a list of all errors in the file. The package also writes starter files
and calibrated values, and describes the kinds of lines that boards send. The package does not
open recordings, and it does not use edges or speeds.
"""
