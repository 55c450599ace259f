"""Make texts from files, ports and users safe to show on a screen."""

_FORMULA_STARTS = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""Characters that begin a formula in a spreadsheet; the last four are full-width."""


def plain(text: str) -> str:
    """Replace every character that could control a terminal by `·`."""
    return "".join(c if c.isprintable() else "·" for c in text)


def shortened(text: str, longest: int) -> str:
    """Shorten a long text in the middle, because long names often differ only at an end."""
    if len(text) <= longest:
        return text
    half = (longest - 1) // 2
    return f"{text[: longest - 1 - half]}…{text[len(text) - half :]}"


def cell(text: str) -> str:
    """Change a text for a spreadsheet cell so that no program reads the text as a formula."""
    text = plain(text)
    return f"'{text}" if is_formula(text) else text


def is_formula(text: str) -> bool:
    """Return True if a spreadsheet could read the text as a formula."""
    return text.startswith(_FORMULA_STARTS)
