"""The screens, each loaded when it is first shown: so the first one is up the sooner."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from textual.screen import Screen

    from chrono.session.run import Run


def _shots() -> Screen[None]:
    from chrono.dashboard.shots_screen import ShotsScreen

    return ShotsScreen()


def _far() -> Screen[None]:
    from chrono.dashboard.far_screen import FarScreen

    return FarScreen()


def _comparison() -> Screen[None]:
    from chrono.dashboard.comparison_screen import ComparisonScreen

    return ComparisonScreen()


def _beams() -> Screen[None]:
    from chrono.dashboard.beams_screen import BeamsScreen

    return BeamsScreen()


def _help() -> Screen[None]:
    from chrono.dashboard.help_screen import HelpScreen

    return HelpScreen()


MODES: dict[str, Callable[[], Screen[None]]] = {
    "shots": _shots,
    "far": _far,
    "comparison": _comparison,
    "beams": _beams,
    "help": _help,
}


def lab_screen(run: Run) -> Screen[None]:
    """Return the error lab, with gates and shots of a run."""
    from chrono.dashboard.lab_screen import LabScreen
    from chrono.teaching.start import start_of_session

    path = run.writer.path if run.writer else run.edits.path if run.edits else None
    start = start_of_session(run.session, path)
    return LabScreen(start, caution=run.near_launches)
