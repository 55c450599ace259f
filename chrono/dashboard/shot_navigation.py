"""Go to a shot by its number or by a text search, and control the time of a replay."""

from __future__ import annotations

from asyncio import to_thread
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, cast

from chrono.dashboard.run_driver import RunDriver

if TYPE_CHECKING:
    from chrono.session.replay_run import ReplayRun

PACES = (0.1, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0)


class ReplayControls:
    """
    Controls a replay: pause, speed, jump to the next shot and to the previous shot.

    Parameters
    ----------
    driver : RunDriver
    changed : callable
        Function that updates the screen after a change.
    """

    def __init__(self, driver: RunDriver, changed: Callable[[], None]) -> None:
        self._driver, self._changed = driver, changed

    @property
    def _run(self) -> ReplayRun:
        return cast("ReplayRun", self._driver.run)

    def pause_or_resume(self) -> None:
        """Pause the replay, or continue a paused replay."""
        source = self._run.source
        (source.resume if source.paused else source.pause)()
        self._changed()

    def play_faster(self) -> None:
        """Increase the speed of the replay by one step."""
        source = self._run.source
        source.set_pace(min((p for p in PACES if p > (source.pace or 0)), default=PACES[-1]))
        self._changed()

    def play_slower(self) -> None:
        """Reduce the speed of the replay by one step."""
        source = self._run.source
        source.set_pace(max((p for p in PACES if p < (source.pace or 1)), default=PACES[0]))
        self._changed()

    def step_to_next_shot(self) -> None:
        """Continue the replay up to the next shot, and pause there."""
        self._run.step_to_next_shot()
        self._changed()

    async def go_to_previous_shot(self) -> None:
        """Move the replay back to the shot before the latest shot, and pause there."""
        await self.go_to(self._run.previous_shot())

    async def go_to(self, number: int) -> None:
        """Move the replay to the time when this shot is the latest shot, and pause there."""
        run = self._run
        there = await to_thread(run.at_shot, number)
        if self._driver.run is run:
            run.close()
            self._driver.show_instead(there)
            self._changed()


@dataclass(frozen=True)
class Match:
    """
    A shot that matches the search text.

    Attributes
    ----------
    place : int
        Index of the shot among all shots, from 0.
    count, of : int
        The number of this match, from 1, and the number of all matches.
    """

    place: int
    count: int
    of: int


class ShotFinder:
    """
    Finds the shots that match a search text, and stores this text.

    Parameters
    ----------
    driver : RunDriver
    """

    def __init__(self, driver: RunDriver) -> None:
        self._driver = driver
        self.sought = ""
        """The text of the last search."""

    def match_after(self, place: int) -> Match | None:
        """
        Return the next shot after the index `place` that matches the search text.

        After the last match, return the first match. If no shot matches, return None.
        """
        return self._match(place, "right", 0)

    def match_before(self, place: int) -> Match | None:
        """
        Return the last shot before the index `place` that matches the search text.

        If all matches come later, return the last match. If no shot matches, return None.
        """
        return self._match(place, "left", -1)

    def _match(self, place: int, side: Literal["left", "right"], step: int) -> Match | None:
        from chrono.session.shot_search import find_shots

        places = find_shots(self._driver.run.recorded, self.sought)
        if not len(places):
            return None
        at = (int(places.searchsorted(place, side=side)) + step) % len(places)
        return Match(int(places[at]), at + 1, len(places))
