"""Let the operator exclude a shot from the statistics, include a shot, or add a note."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding, BindingType

from chrono.dashboard.actions import ACTION
from chrono.dashboard.dialogs import TextDialog, asks
from chrono.dashboard.framed_screen import FramedScreen
from chrono.dashboard.preferences import Preferences
from chrono.dashboard.run_driver import RunDriver
from chrono.dashboard.shot_edits import ShotEdits
from chrono.session.operator_records import COUNT_AGAIN, NOTE, SET_ASIDE, Mark

if TYPE_CHECKING:
    from chrono.session.shot_log import ShotRow

MARKING = ("set_aside", "count_again", "note")
"""The actions of a screen that shows one shot."""


class ShotMarking(FramedScreen):
    """
    A screen on which the operator can include a shot, exclude a shot or add a note to a shot.

    Parameters
    ----------
    driver : RunDriver
    preferences : Preferences
    edits : ShotEdits
        Stores the operator's entries on the shot.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(ACTION[name].key, name, ACTION[name].label) for name in MARKING
    ]

    def __init__(self, driver: RunDriver, preferences: Preferences, edits: ShotEdits) -> None:
        super().__init__(driver, preferences)
        self._edits = edits

    @property
    def selected(self) -> ShotRow | None:
        """The shot to which the keys of this screen apply; None if there is no shot."""
        raise NotImplementedError

    def selected_or_warn(self) -> ShotRow | None:
        """Return the shot to which the keys apply. If there is no shot, show a warning."""
        row = self.selected
        if row is None:
            self.warn("There is no shot yet.")
        return row

    @asks
    async def action_set_aside(self) -> None:
        """Ask the operator for the reason, and exclude the shot from the statistics."""
        row = self.selected_or_warn()
        if row is not None and await self._edits.may_enter():
            reason = self.driver.run.session.marks.of(row.key).reason
            dialog = TextDialog(f"Why do you set aside shot {row.number}?", reason)
            await self._ask_mark(dialog, SET_ASIDE, row)

    @asks
    async def action_note(self) -> None:
        """Ask the operator for a note on the shot; an earlier note can be edited."""
        row = self.selected_or_warn()
        if row is not None and await self._edits.may_enter():
            note = self.driver.run.session.marks.of(row.key).note
            dialog = TextDialog(f"Note on shot {row.number}", note)
            await self._ask_mark(dialog, NOTE, row)

    async def _ask_mark(self, dialog: TextDialog, action: str, row: ShotRow) -> None:
        text = await self.app.push_screen_wait(dialog)
        if text is not None:
            self._edits.mark(Mark(action, row.key, text))

    @asks
    async def action_count_again(self) -> None:
        """Include the shot in the statistics."""
        row = self.selected_or_warn()
        if row is None:
            return
        if not isfinite(row.speed_mps):
            self.warn(f"Shot {row.number} has no speed, so it cannot be counted.")
        elif await self._edits.may_enter():
            self._edits.mark(Mark(COUNT_AGAIN, row.key))
