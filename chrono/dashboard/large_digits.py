"""Draw numbers and units so large that people can read them from metres away.

Each digit has up to seven strokes, like a digit of a pocket calculator. Each letter has a small
picture, which the program stretches to the wanted size. Each line of text contains two rows of
dots, drawn with half-block characters such as ▀.
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
"""The strokes of each sign. Stroke a is at the top, d at the bottom, and g in the middle.
Strokes b and c are at the right; e and f are at the left."""

LETTERS = {
    "m": ("11010", "10101", "10101", "10101", "10101"),
    "k": ("101", "101", "110", "101", "101"),
    "h": ("100", "100", "110", "101", "101"),
    "f": ("011", "010", "111", "010", "010"),
    "t": ("010", "111", "010", "010", "011"),
    "s": ("011", "100", "010", "001", "110"),
    "p": ("110", "101", "110", "100", "100"),
    "n": ("000", "110", "101", "101", "101"),
    "e": ("010", "101", "111", "100", "011"),
    "a": ("110", "001", "011", "101", "011"),
    "/": ("001", "001", "010", "100", "100"),
    "±": ("010", "111", "010", "000", "111"),
}
"""Pictures of ± and of the letters in units, *n* and *mean*; each has five rows."""

WIDTHS = {".": 0.45, " ": 0.5, "m": 1.7}
"""Widths of special signs, relative to the width of a digit."""
LEAST_WIDE, LEAST_HIGH = 3, 3
SLENDER = 0.75
"""Largest visible width of a digit, relative to its height."""
BLOCKS = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def large_digits(text: str, columns: int, lines: int) -> list[str]:
    """
    Draw a number with digits as large as possible.

    Parameters
    ----------
    text : str
        Text to draw: digits, points, blanks, signs ``-`` and ``—``, and `LETTERS`.
    columns, lines : int
        Largest width and height of the drawing [cells].

    Returns
    -------
    list of str
        At most `lines` lines of the same length, with at most `columns` cells each. Empty if
        there is no room for digits of three lines.
    """
    widest = int(min(columns, 2 * SLENDER * lines))
    for wide in range(widest, LEAST_WIDE - 1, -1):
        gap = max(wide // 6, 1)
        widths = [max(int(wide * WIDTHS.get(sign, 1.0)), 1) for sign in text]
        if sum(widths) + gap * (len(text) - 1) <= columns:
            break
    else:
        return []
    high = min(lines, wide * 2)
    if high < LEAST_HIGH:
        return []
    rows = 2 * high - 1  # an odd number leaves a gap below the digits
    drawn = [_glyph(sign, w, rows) for sign, w in zip(text, widths, strict=True)]
    dots = [*("".join(_joined(row, drawn, gap)) for row in range(rows)), ""]
    dots[-1] = " " * len(dots[0])
    return [
        "".join(BLOCKS[a == "#", b == "#"] for a, b in zip(upper, lower, strict=True))
        for upper, lower in zip(dots[::2], dots[1::2], strict=True)
    ]


def _joined(row: int, glyphs: list[list[str]], gap: int) -> str:
    return (" " * gap).join(glyph[row] for glyph in glyphs)


def _glyph(sign: str, wide: int, rows: int) -> list[str]:
    """Draw one character with `rows` lines and `wide` columns of `#` or blank."""
    if sign in LETTERS:
        return _stretched(LETTERS[sign], wide, rows)
    across, upright = max(rows // 7, 1), max(wide // 5, 1)
    dots = [[" "] * wide for _ in range(rows)]

    def fill(top: int, bottom: int, left: int, right: int) -> None:
        for row in range(max(top, 0), min(bottom, rows)):
            for column in range(max(left, 0), min(right, wide)):
                dots[row][column] = "#"

    middle = (rows - across) // 2
    if sign == ".":
        fill(rows - across, rows, 0, wide)
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


def _stretched(picture: tuple[str, ...], wide: int, rows: int) -> list[str]:
    """Enlarge a letter's picture to `rows` lines and `wide` columns of `#` or blank."""
    return [
        "".join(
            "#" if line[column * len(line) // wide] == "1" else " " for column in range(wide)
        )
        for line in (picture[row * len(picture) // rows] for row in range(rows))
    ]
