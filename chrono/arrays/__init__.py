"""Store events in arrays, and work quickly with large arrays.

`events` defines the data that the reader gives to the processor. `array_types` defines short
names for types of arrays. `structured_arrays` copies whole records. `machine_code` compiles
loops over arrays. `prefetch` prepares the next block in a thread. The code of this package does
not depend on lines, rigs or shots.
"""
