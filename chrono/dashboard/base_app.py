"""The colours that texts name, in dark and light: told apart by people with any colour vision.

The hues are those of Okabe and Ito's set (jfly.uni-koeln.de/color, 2008), made lighter or
darker until each has a contrast of 4.5 : 1 (WCAG 2.2, 1.4.3) on every background in use.
"""

from rich.terminal_theme import TerminalTheme

_DARK = ("#ff8f5a", "#3ecf9f", "#f0b429", "#6ab7f5", "#e79ac8", "#62c4f0", "#e6e6e6")
_LIGHT = ("#8c2a00", "#004d39", "#5e3f00", "#003f73", "#732a58", "#004a70", "#1c1c1c")
"""Red, green, yellow, blue, magenta, cyan, white."""


def _theme(ground: str, ink: str, faint: str, hues: tuple[str, ...]) -> TerminalTheme:
    def rgb(colour: str) -> tuple[int, int, int]:
        red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
        return red, green, blue

    normal = [rgb(colour) for colour in ("#000000", *hues)]
    bright = [rgb(colour) for colour in (faint, *hues)]
    return TerminalTheme(rgb(ground), rgb(ink), normal, bright)


ON_DARK = _theme("#121212", "#e0e0e0", "#b0b0b0", _DARK)
ON_LIGHT = _theme("#f0f0f0", "#1c1c1c", "#3f3f3f", _LIGHT)
