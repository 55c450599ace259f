"""Text from outside does nothing but be read."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chrono.safe_text import cell, plain, shortened


@given(st.text())
def test_plain_text_holds_nothing_that_a_terminal_obeys(text: str) -> None:
    assert plain(text).isprintable()


@given(st.text(alphabet=st.characters(categories=["L", "N", "P", "Zs"])))
def test_printable_text_stays_as_it_is(text: str) -> None:
    printable = "".join(c for c in text if c.isprintable())

    assert plain(printable) == printable


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "＝1", "＋1", "－1", "＠x"]
)
def test_no_cell_begins_like_a_formula(text: str) -> None:
    assert cell(text)[0] not in "=+-@\t\r＝＋－＠"


def test_a_long_name_loses_its_middle() -> None:
    assert shortened("abcdef", 6) == "abcdef"
    assert shortened("abcdefg", 6) == "abc…fg"
    assert shortened("abcdefg", 5) == "ab…fg"
