"""Make text that came from outside harmless for where it is shown."""

_FORMULA_STARTS = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What begins a formula, and the same signs as wide as those of East Asia, which spreadsheets
read alike."""


def plain(text: str) -> str:
    """Return `text` with everything a terminal could obey replaced by `·`."""
    return "".join(c if c.isprintable() else "·" for c in text)


def shortened(text: str, longest: int) -> str:
    """Return `text` without its middle where it is long: both ends tell names apart."""
    if len(text) <= longest:
        return text
    half = (longest - 1) // 2
    return f"{text[: longest - 1 - half]}…{text[len(text) - half :]}"


def cell(text: str) -> str:
    """Return `text` for a spreadsheet cell, which must not take it for a formula."""
    text = plain(text)
    return f"'{text}" if is_formula(text) else text


def is_formula(text: str) -> bool:
    """Tell whether a spreadsheet could take a text for a formula."""
    return text.startswith(_FORMULA_STARTS)
