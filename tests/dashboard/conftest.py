"""Every test drives the dashboard itself: nothing happens between two of its lines."""

import gc

import pytest

from chrono.dashboard import app


@pytest.fixture(autouse=True)
def _no_ticks(monkeypatch):
    monkeypatch.setattr(app, "POLL_S", 3600.0)
    monkeypatch.setattr(app, "SHOW_S", 3600.0)
    yield
    gc.unfreeze()
