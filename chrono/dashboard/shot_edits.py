"""Store the operator's entries as rows in the recording.

In a replay, the operator must first agree to change the recording or to work in a copy.
"""

from __future__ import annotations

from asyncio import to_thread
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from chrono.dashboard.base_app import BaseApp
from chrono.dashboard.dialogs import ChangeDialog, TextDialog
from chrono.dashboard.run_driver import RunDriver
from chrono.dashboard.shot_text import said_text
from chrono.errors import ChronoError

if TYPE_CHECKING:
    from chrono.session.operator_records import Mark, Setup
    from chrono.session.run import OperatorEdits


class ShotEdits:
    """
    Stores the marks and setups that the operator enters.

    Parameters
    ----------
    app : BaseApp
        The application that shows dialogs and warnings.
    driver : RunDriver
        Contains the run that gets the entries.
    changed : callable
        Function that updates the screen after an entry.
    """

    def __init__(
        self, app: BaseApp[Any], driver: RunDriver, changed: Callable[[], None]
    ) -> None:
        self._app, self._driver, self._changed = app, driver, changed

    async def may_enter(self) -> bool:
        """
        Return whether the operator's entries can be stored.

        In a replay, first ask the operator where to store the entries.
        """
        edits = self._driver.run.edits
        if edits is None or edits.target is not None:
            return True
        choice = await self._app.push_screen_wait(ChangeDialog(edits.path.name))
        if choice == "change":
            return self._try(edits.agree)
        return choice == "copy" and await self._copied(edits)

    async def _copied(self, edits: OperatorEdits) -> bool:
        title = f"Enter the name of a new file for the copy of {edits.path.name}"
        dialog = TextDialog(title, str(edits.free_copy_name()), required=True, enter="copy")
        text = await self._app.push_screen_wait(dialog)
        if not text:
            return False
        try:
            await to_thread(edits.work_in_copy, Path(text).expanduser())
        except ChronoError as error:
            self._app.warn(str(error))
            return False
        self._changed()
        return True

    def mark(self, mark: Mark) -> bool:
        """Store a mark on a shot or on the session; return True if the mark was stored."""
        return self._try(lambda: self._driver.run.say_mark(mark))

    def set_up(self, setup: Setup) -> bool:
        """Store a setup or a correction of a setup; return True if it was stored."""
        return self._try(lambda: self._driver.run.say_setup(setup))

    def undo(self) -> str:
        """
        Undo the last entry; return its description, or an empty text if nothing was undone.
        """
        run = self._driver.run
        if not run.said:
            return ""
        words = said_text(run.said[-1], run.session)
        return words if self._try(run.undo) else ""

    def _try(self, act: Callable[[], object]) -> bool:
        """Store an entry and update the screen; if this fails, show a warning."""
        try:
            act()
        except ChronoError as error:
            self._app.warn(str(error))
            return False
        self._changed()
        return True
