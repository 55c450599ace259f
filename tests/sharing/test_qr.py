"""The picture for a camera: the modules of the code, in each way of drawing them."""

import segno

from chrono.sharing.web_address import BLACK_ON_WHITE, PLAIN, QUIET_MODULES, qr_lines

ADDRESS = "http://192.168.1.20:8765/k7m2p9x4qd/"


def modules() -> list[list[bool]]:
    code = segno.make(ADDRESS, error="l", micro=False)
    return [[bool(m) for m in row] for row in code.matrix_iter(border=QUIET_MODULES)]


def test_ascii_draws_each_module_as_two_signs_light_where_the_code_is_light() -> None:
    lines = qr_lines(ADDRESS, blocks=False, colours=False)
    drawn = [[line[i : i + 2] == "##" for i in range(0, len(line), 2)] for line in lines]
    assert drawn == [[not module for module in row] for row in modules()]
    assert "".join(lines).isascii()


def test_half_blocks_hold_two_modules_one_above_the_other() -> None:
    lines = qr_lines(ADDRESS, blocks=True, colours=False)
    upper = [[sign in "▀█" for sign in line] for line in lines]
    lower = [[sign in "▄█" for sign in line] for line in lines]
    rows = [row for pair in zip(upper, lower, strict=True) for row in pair]
    wanted = [[not module for module in row] for row in modules()]
    assert rows[: len(wanted)] == wanted
    assert all(all(row) for row in rows[len(wanted) :])  # nothing dark beyond the border


def test_with_colours_dark_modules_are_drawn_on_light_ground() -> None:
    lines = qr_lines(ADDRESS, blocks=True, colours=True)
    assert all(line.startswith(BLACK_ON_WHITE) and line.endswith(PLAIN) for line in lines)
    plain = [line.removeprefix(BLACK_ON_WHITE).removesuffix(PLAIN) for line in lines]
    halves = [[[sign in half for sign in line] for half in ("▀█", "▄█")] for line in plain]
    rows = [row for pair in halves for row in pair]
    wanted = modules()
    assert rows[: len(wanted)] == wanted
    assert not any(any(row) for row in rows[len(wanted) :])  # nothing dark beyond the border


def test_it_fits_an_ordinary_terminal() -> None:
    lines = qr_lines(ADDRESS, blocks=True, colours=False)
    assert len(lines) <= 17
    assert max(map(len, lines)) <= 40
    assert max(map(len, qr_lines(ADDRESS, blocks=False, colours=False))) <= 80
