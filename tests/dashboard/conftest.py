"""Every test drives the dashboard itself: nothing happens between two of its lines."""

import gc

import pytest

from chrono.dashboard import driving


@pytest.fixture(autouse=True)
def _no_ticks(monkeypatch):
    monkeypatch.setattr(driving, "POLL_S", 3600.0)
    monkeypatch.setattr(driving, "SHOW_S", 3600.0)
    yield
    gc.unfreeze()
