"""Read the new rows of a run's recording, and report what changed.

This module does not draw on the screen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite
from time import monotonic
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from chrono.session.run import Run
    from chrono.session.view_cache import SessionView, ViewCache

MORE_EDGES_S = 0.03
"""A shot that may soon get more edges is shown after at most this time [s]."""
SHOWN_SHOTS = 200


@dataclass(frozen=True)
class Change:
    """
    The changes in a session that were caused by reading new rows.

    Attributes
    ----------
    any : bool
        Whether the session changed at all.
    whole_shot : bool
        A new shot has all its edges.
    part_of_shot : bool
        A new shot has a speed, and may soon get more edges.
    remeasured : bool
        Speeds that the screen already showed have changed.
    entered : bool
        The operator has made new entries.
    """

    any: bool = False
    whole_shot: bool = False
    part_of_shot: bool = False
    remeasured: bool = False
    entered: bool = False


class RunDriver:
    """
    An object that reads new rows of a run, and reports what changed.

    Parameters
    ----------
    run : Run
        A run that was started already.
    clock : callable, optional
        Function that returns a time [s]; only differences are used.

    Attributes
    ----------
    view : SessionView or None
        The shots and statistics that were shown last.
    """

    def __init__(self, run: Run, clock: Callable[[], float] = monotonic) -> None:
        self.view: SessionView | None = None
        self._clock = clock
        self._looks: ViewCache | None = None
        self._stale = True
        self._changed_s = 0.0
        self._prepared_for: object = None
        self.run = run
        self._whole_seen, self._parts_seen = len(run.session.log), 0
        self._entries_seen = run.session.annotations.version
        self._remeasured_us: int | None = None

    def show_instead(self, run: Run) -> None:
        """
        Continue with another run of the same recording, and do not report its old shots as new.
        """
        self.run = run
        self._whole_seen, self._parts_seen = len(run.session.log), 0
        self._entries_seen = run.session.annotations.version
        self._remeasured_us = run.remeasured_us

    def step(self) -> Change:
        """
        Read the rows of the recording that are ready, and report what changed.

        Raises
        ------
        ChronoError
            If the run cannot continue.
        """
        if not self.run.step():
            return Change()
        self._stale = True
        self._changed_s = self._clock()
        session = self.run.session
        speeds = [row.edges_used for row in session.open_rows() if isfinite(row.speed_mps)]
        whole, parts = len(session.log) + speeds.count("both"), len(speeds)
        change = Change(
            any=True,
            whole_shot=whole > self._whole_seen,
            part_of_shot=parts > self._parts_seen,
            remeasured=self.run.remeasured_us != self._remeasured_us,
            entered=session.annotations.version != self._entries_seen,
        )
        self._entries_seen = session.annotations.version
        self._whole_seen, self._parts_seen = whole, parts
        self._remeasured_us = self.run.remeasured_us
        return change

    # -- looking -----------------------------------------------------------------------

    @property
    def looks(self) -> ViewCache:
        """The computed shots and statistics of the session, stored for the screen."""
        from chrono.session.view_cache import ViewCache

        session = self.run.session
        if self._looks is None or self._looks.session is not session:
            self._looks = ViewCache(session)
        return self._looks

    def look(self) -> SessionView:
        """Return the current shots and statistics."""
        self._stale = False
        self.view = self.looks.view(SHOWN_SHOTS)
        return self.view

    @property
    def stale(self) -> bool:
        """True if the session has changed since the last call of `look`."""
        return self._stale

    @property
    def settled(self) -> bool:
        """
        True if the session has not changed for so long that the last shot gets no more edges.
        """
        return self._clock() - self._changed_s > MORE_EDGES_S

    # -- preparing ---------------------------------------------------------------------

    @property
    def prepares(self) -> bool:
        """True if `notice_new_model` has already found a speed model."""
        return self._prepared_for is not None

    def notice_new_model(self) -> bool:
        """
        Return True if the session has a speed model that an earlier call did not find.

        If the result is True, the caller must call `prepare` in a thread.
        """
        model = self.run.session.model
        is_new = model is not self._prepared_for
        self._prepared_for = model
        return is_new

    def prepare(self) -> None:
        """Prepare the speed model, so that the next shot appears without delay."""
        self.run.session.make_ready()
