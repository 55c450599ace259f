"""Every test drives the dashboard itself: nothing happens between two of its lines."""

import gc

import pytest

from chrono.dashboard import dashboard_app


@pytest.fixture(autouse=True)
def _no_ticks(monkeypatch):
    monkeypatch.setattr(dashboard_app, "POLL_S", 3600.0)
    monkeypatch.setattr(dashboard_app, "SHOW_S", 3600.0)


@pytest.fixture(autouse=True)
def _small_collections():
    """Let a dashboard, which collects once it stands, walk its own widgets alone."""
    gc.freeze()
    yield
    gc.unfreeze()


@pytest.fixture(autouse=True, scope="module")
def _dashboards_go():
    """Let the dashboards of a file go before those of the next come."""
    yield
    gc.collect()
