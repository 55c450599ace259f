"""The address as a picture that a telephone's camera reads (QR code, ISO/IEC 18004)."""

import segno

QUIET_MODULES = 2
"""Light border. The standard asks for 4; cameras do with 2, and a screen has few lines."""

BLACK_ON_WHITE, PLAIN = "\x1b[30;107m", "\x1b[0m"

_HALVES = {(0, 0): " ", (1, 0): "▀", (0, 1): "▄", (1, 1): "█"}


def qr_lines(address: str, *, blocks: bool, colours: bool) -> list[str]:
    """
    Return the code as lines for a terminal.

    Parameters
    ----------
    address : str
    blocks : bool
        Two modules in a character, one above the other; else a module is two ASCII signs.
    colours : bool
        Dark on light, whatever the terminal's own colours are. Without them what is light in
        the code is drawn, as it is right where the ground is dark.
    """
    code = segno.make(address, error="l", micro=False)
    rows = [list(row) for row in code.matrix_iter(border=QUIET_MODULES)]
    if not colours:
        rows = [[1 - module for module in row] for row in rows]
    if not blocks:
        return ["".join("##" if module else "  " for module in row) for row in rows]
    if len(rows) % 2:
        rows.append([0 if colours else 1] * len(rows[0]))
    pairs = zip(rows[::2], rows[1::2], strict=True)
    lines = ["".join(_HALVES[two] for two in zip(*pair, strict=True)) for pair in pairs]
    return [f"{BLACK_ON_WHITE}{line}{PLAIN}" for line in lines] if colours else lines
