"""Code for reader and processor: events as arrays, and ways to handle large arrays.

`events` holds what the reader gives to the processor; `array_types` names the types of arrays;
`structured_arrays` moves whole records; `machine_code` compiles loops over arrays; `prefetch`
prepares the next block in a thread.
This room does not know about lines, rigs and shots.
"""
