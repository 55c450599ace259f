"""How often a test tries: a few times in the plain suite, many times with `-m long`."""

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st


def trials(few: Any, many: Any, name: str = "count") -> pytest.MarkDecorator:
    """Give a test what makes it short and, with `-m long`, what makes it thorough."""
    return pytest.mark.parametrize(name, [few, pytest.param(many, marks=pytest.mark.long)])


def try_examples(
    count: int, check: Callable[..., None], *drawn: st.SearchStrategy[Any]
) -> None:
    """Check what must hold for all that is drawn, on so many examples."""
    settings(max_examples=count, deadline=None)(given(*drawn)(check))()
