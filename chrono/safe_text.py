"""Make text from outside harmless for the place where it is shown."""

_FORMULA_STARTS = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""Signs that begin a formula. Spreadsheets treat the full-width form of East Asia in the same
way.
"""


def plain(text: str) -> str:
    """Return `text` with every character that could control a terminal replaced by `·`."""
    return "".join(c if c.isprintable() else "·" for c in text)


def shortened(text: str, longest: int) -> str:
    """Return `text` without its middle if it is long, because names differ at their ends."""
    if len(text) <= longest:
        return text
    half = (longest - 1) // 2
    return f"{text[: longest - 1 - half]}…{text[len(text) - half :]}"


def cell(text: str) -> str:
    """Return `text` for a spreadsheet cell so that it is not read as a formula."""
    text = plain(text)
    return f"'{text}" if is_formula(text) else text


def is_formula(text: str) -> bool:
    """Return whether a spreadsheet could read a text as a formula."""
    return text.startswith(_FORMULA_STARTS)
