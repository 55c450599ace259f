"""Numbers as large as there is room for, drawn of strokes: they are read from metres away.

A glyph is a set of strokes on a grid of one by two; half blocks give twice the lines.
"""

STROKES = {
    "0": "abcdef",
    "1": "bc",
    "2": "abdeg",
    "3": "abcdg",
    "4": "bcfg",
    "5": "acdfg",
    "6": "acdefg",
    "7": "abc",
    "8": "abcdefg",
    "9": "abcdfg",
    "-": "g",
    "—": "g",
}
"""Which strokes a sign has: a above, b and c at the right, d below, e and f at the left, g
in the middle."""

NARROW = 0.45
"""Width of a point over that of a digit."""
SLENDER = 0.75
"""A digit is at most so wide as it is high, in the eye's measure."""
BLOCKS = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def large_digits(text: str, columns: int, lines: int) -> list[str]:
    """
    Draw a number as large as it goes.

    Parameters
    ----------
    text : str
        Digits, points, signs ``-``, ``±`` and ``—``.
    columns, lines : int
        Cells there are.

    Returns
    -------
    list of str
        At most `lines` lines of the same length, at most `columns` cells; empty where there
        is no room for digits of five lines.
    """
    shares = sum(NARROW if sign == "." else 1.0 for sign in text)
    gap = max(columns // (10 * max(len(text), 1)), 1)
    wide = int(min((columns - gap * (len(text) - 1)) / max(shares, 1.0), 2 * SLENDER * lines))
    high = min(lines, wide * 2)
    if wide < 3 or high < 5:
        return []
    rows = 2 * high
    drawn = [
        _glyph(sign, max(int(wide * NARROW), 1) if sign == "." else wide, rows) for sign in text
    ]
    lines_of_dots = ["".join(_joined(row, drawn, gap)) for row in range(rows)]
    return [
        "".join(BLOCKS[a == "#", b == "#"] for a, b in zip(upper, lower, strict=True))
        for upper, lower in zip(lines_of_dots[::2], lines_of_dots[1::2], strict=True)
    ]


def _joined(row: int, glyphs: list[list[str]], gap: int) -> str:
    return (" " * gap).join(glyph[row] for glyph in glyphs)


def _glyph(sign: str, wide: int, rows: int) -> list[str]:
    """Return a sign as rows of `#` and blanks; a dot is as high as it is wide."""
    across, upright = max(rows // 7, 1), max(wide // 5, 1)
    dots = [[" "] * wide for _ in range(rows)]

    def fill(top: int, bottom: int, left: int, right: int) -> None:
        for row in range(max(top, 0), min(bottom, rows)):
            for column in range(max(left, 0), min(right, wide)):
                dots[row][column] = "#"

    middle = (rows - across) // 2
    if sign == ".":
        fill(rows - across, rows, 0, wide)
    elif sign == "±":
        arm = (rows - 2 * across) // 2
        fill(arm // 2, arm // 2 + across, 0, wide)
        fill(0, arm, (wide - upright) // 2, (wide + upright) // 2)
        fill(rows - across - rows // 6, rows - rows // 6, 0, wide)
    places = {
        "a": (0, across, 0, wide),
        "b": (0, middle + across, wide - upright, wide),
        "c": (middle, rows, wide - upright, wide),
        "d": (rows - across, rows, 0, wide),
        "e": (middle, rows, 0, upright),
        "f": (0, middle + across, 0, upright),
        "g": (middle, middle + across, 0, wide),
    }
    for stroke in STROKES.get(sign, ""):
        fill(*places[stroke])
    return ["".join(row) for row in dots]
