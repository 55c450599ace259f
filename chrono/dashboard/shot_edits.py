"""What the operator says of shots and session: setups, marks, notes, hold, and taking it back.

All of it becomes rows of the recording. Where a recording is shown again, the first of them
waits until he has agreed to change it, or to work in a copy.
"""

from __future__ import annotations

from asyncio import to_thread
from collections.abc import Callable
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING

from textual import work

from chrono.dashboard.dialogs import ChangeDialog, SetupDialog, TextDialog
from chrono.dashboard.run_driver import DrivenApp
from chrono.dashboard.setup_form import corrected, setup_form
from chrono.dashboard.shot_text import said_text
from chrono.errors import ChronoError
from chrono.session.marks import COUNT_AGAIN, HOLD_OFF, HOLD_ON, NOTE, SET_ASIDE, Mark, Setup

if TYPE_CHECKING:
    from chrono.session.shotlog import ShotRow


class TellingApp(DrivenApp):
    """The application with what the operator says."""

    def action_new_setup(self) -> None:
        """Ask for the conditions from here on."""

        def say(setup: Setup | None) -> None:
            if setup is not None:
                self._tell(lambda: self.clocking.say_setup(setup))

        names = self.clocking.session.setups.names[-20:]
        self.push_screen(SetupDialog("New setup, from the next shot on", names), say)

    def action_correct_setup(self) -> None:
        """Show the selected shot's setup, and correct it for all its shots."""
        row = self.selected_shot()
        if row is None:
            return
        setup = self.clocking.session.setups.last(row.setup)

        def say(form: Setup | None) -> None:
            if form is not None and setup_form(form) != setup_form(setup):
                self._once_agreed(lambda: self._correct(corrected(setup, form)))

        shots = self.clocking.recorded.shots_of(row.setup)
        title = f"Setup of shot {row.number}, corrected for all its {shots} shots"
        self.push_screen(SetupDialog(title, setup=setup), say)

    def action_set_aside(self) -> None:
        """Ask why, and set the selected shot aside."""
        row = self.selected_shot()
        if row is not None:
            said = self.clocking.session.marks.of(row.key)
            title = f"Set shot {row.number} aside: why?"
            self._once_agreed(lambda: self._ask_mark(title, SET_ASIDE, row.key, said.reason))

    def action_count_again(self) -> None:
        """Count the selected shot."""
        row = self.selected_shot()
        if row is None:
            return
        if not isfinite(row.speed_mps):
            self.say(f"Shot {row.number} has no speed, so it cannot be counted.")
            return
        self._once_agreed(lambda: self._mark(Mark(COUNT_AGAIN, row.key)))

    def action_note(self) -> None:
        """Ask for a note on the selected shot; an earlier one is there to be edited."""
        row = self.selected_shot()
        if row is not None:
            note = self.clocking.session.marks.of(row.key).note
            title = f"Note on shot {row.number}"
            self._once_agreed(lambda: self._ask_mark(title, NOTE, row.key, note))

    def action_session_note(self) -> None:
        """Ask for a note on the session."""

        def note(text: str | None) -> None:
            if text and self._mark(Mark(NOTE, text=text)):
                self.notify("Noted for the session.", markup=False)

        def ask() -> None:
            self.push_screen(TextDialog("Note on the session", required=True), note)

        self._once_agreed(ask)

    def action_hold(self) -> None:
        """Hold, or count again."""
        self._mark(Mark(HOLD_OFF if self.clocking.session.on_hold else HOLD_ON))

    def action_undo(self) -> None:
        """Take back what was said last."""
        run = self.clocking
        words = said_text(run.said[-1], run.session)
        if self._tell(run.undo):
            self.notify(f"Taken back: {words}", markup=False)

    def selected_shot(self) -> ShotRow | None:
        """Return the shot under the cursor; say so if there is none."""
        screen = self.shots_screen
        row = screen.selected if screen is not None else None
        if row is None:
            self.say("There is no shot yet.")
        return row

    # -- helpers -----------------------------------------------------------------------

    def _once_agreed(self, go_on: Callable[[], object]) -> None:
        """Go on where something may be written, else ask for it first."""
        edits = self.clocking.edits
        if edits is None or edits.target is not None:
            go_on()
            return

        def decide(choice: str | None) -> None:
            if choice == "change" and self._agree():
                go_on()
            elif choice == "copy":
                self._ask_copy(go_on)

        self.push_screen(ChangeDialog(edits.path.name), decide)

    def _agree(self) -> bool:
        edits = self.clocking.edits
        assert edits is not None
        try:
            edits.agree()
        except ChronoError as error:
            self.say(str(error))
            return False
        self.refresh_all()
        return True

    def _ask_copy(self, go_on: Callable[[], object]) -> None:
        edits = self.clocking.edits
        assert edits is not None

        def copy(text: str | None) -> None:
            if text:
                self._copy(Path(text).expanduser(), go_on)

        title = f"Copy {edits.path.name} to which new file?"
        self.push_screen(TextDialog(title, str(edits.free_copy_name()), required=True), copy)

    @work(exclusive=True, exit_on_error=False, group="copy")
    async def _copy(self, path: Path, go_on: Callable[[], object]) -> None:
        edits = self.clocking.edits
        assert edits is not None
        await to_thread(edits.work_in_copy, path)
        self.refresh_all()
        go_on()

    def _correct(self, setup: Setup) -> None:
        if not self._tell(lambda: self.clocking.say_setup(setup)):
            return
        if self.clocking.recorded.lengths_corrected:
            self.notify(
                "Its length decides which edges make a shot, and short or long: that is judged "
                "anew when the recording is opened again.",
                timeout=12,
                markup=False,
            )

    def _ask_mark(self, title: str, action: str, shot: int, text: str) -> None:
        def mark(text: str | None) -> None:
            if text is not None:
                self._mark(Mark(action, shot, text))

        self.push_screen(TextDialog(title, text), mark)

    def _mark(self, mark: Mark) -> bool:
        return self._tell(lambda: self.clocking.say_mark(mark))

    def _tell(self, say: Callable[[], object]) -> bool:
        """Record what the operator says, and show what it changed; return whether it could."""
        try:
            say()
        except ChronoError as error:
            self.say(str(error))
            return False
        self.drive()
        self.refresh_all()
        return True
