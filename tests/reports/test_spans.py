"""Words shared by the screen and the console."""

import pytest

from chrono.reports.setup_words import span_text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.4, "0 s"),
        (5.0, "5 s"),
        (119.0, "119 s"),
        (120.0, "2 min"),
        (1620.0, "27 min"),
        (7199.0, "120 min"),
        (7200.0, "2 h"),
        (172_800.0, "2 days"),
        (864_000.0, "10 days"),
    ],
)
def test_a_span_stands_in_a_unit_of_which_there_are_some(seconds: float, text: str) -> None:
    assert span_text(seconds) == text
