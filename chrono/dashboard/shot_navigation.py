"""Getting to a shot: by its number, by what is said of it, by the recorded time of a replay."""

from __future__ import annotations

from asyncio import to_thread
from typing import TYPE_CHECKING, cast

from textual import work

from chrono.dashboard.dialogs import TextDialog
from chrono.dashboard.shot_edits import TellingApp

if TYPE_CHECKING:
    from chrono.session.replay import ReplayRun

PACES = (0.1, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0)


class GoingApp(TellingApp):
    """The application with the ways to a shot."""

    sought = ""
    """What was looked for last."""

    def action_find(self) -> None:
        """Ask what to look for, and go to the next such shot."""

        def find(text: str | None) -> None:
            if text:
                self.sought = text
                self._go_to_match(1)

        title = "Go to which shot? Its number, or part of a setup, flag or note"
        dialog = TextDialog(title, self.sought, required=True, replaced=True)
        self.push_screen(dialog, find)

    def action_next_match(self) -> None:
        """Go on to the next shot that was looked for."""
        self._go_to_match(1)

    def action_previous_match(self) -> None:
        """Go back to the shot before that was looked for."""
        self._go_to_match(-1)

    def action_pause(self) -> None:
        """Hold the recorded time or let it run."""
        source = self._replay.source
        (source.resume if source.paused else source.pause)()
        self.follow()

    def action_faster(self) -> None:
        """Replay at the next faster pace."""
        source = self._replay.source
        source.set_pace(min((p for p in PACES if p > (source.pace or 0)), default=PACES[-1]))
        self.follow()

    def action_slower(self) -> None:
        """Replay at the next slower pace."""
        source = self._replay.source
        source.set_pace(max((p for p in PACES if p < (source.pace or 1)), default=PACES[0]))
        self.follow()

    def action_next_shot(self) -> None:
        """Go on to the next shot and pause there."""
        self._replay.step_to_next_shot()
        self.refresh_all()

    def action_previous_shot(self) -> None:
        """Go back to the shot before and pause there."""
        self._go_in_time(self._replay.previous_shot())

    # -- helpers -----------------------------------------------------------------------

    @property
    def _replay(self) -> ReplayRun:
        return cast("ReplayRun", self.clocking)

    def _go_to_match(self, step: int) -> None:
        """Go to a shot that was looked for: the next one, or with -1 the one before."""
        from chrono.session.finding import find_shots

        run, screen = self.clocking, self.shots_screen
        if screen is None:
            return
        places = find_shots(run.recorded, self.sought)
        if not len(places):
            self.say(f"No shot is found by {self.sought!r}.")
            return
        cursor = screen.table.cursor
        if step > 0:
            at = int(places.searchsorted(cursor, side="right")) % len(places)
        else:
            at = int(places.searchsorted(cursor, side="left")) - 1
        place = int(places[at])
        if place < len(self.looks):
            screen.table.choose(place)
        else:
            self._go_in_time(place + 1)
        if len(places) > 1:
            self.notify(f"{at % len(places) + 1} of {len(places)}", timeout=2)

    @work(exclusive=True, group="go")
    async def _go_in_time(self, number: int) -> None:
        """Let a replay be paused where this shot is the latest one."""
        run = self._replay
        there = await to_thread(run.at_shot, number)
        if self.shown is run:
            run.close()
            self.show_instead(there)
