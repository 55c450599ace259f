"""What reader and processor share: events as arrays, and ways to handle large arrays.

`batch` is what goes from the one to the other; `array_types` names the types of arrays;
`records` moves structured arrays about, `compiled` runs loops over them as machine code,
`ahead` makes the next block meanwhile.
Knows nothing of lines, rigs and shots.
"""
