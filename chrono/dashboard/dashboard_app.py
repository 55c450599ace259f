"""The dashboard: what the operator sees, and what he can do.

Screens never change the run; what the operator does goes through the actions here, what he
says of shots through those of `telling`, the ways to a shot are in `going`. The board's lines
are in the recording before this program sees them, so nothing on a screen can lose a shot.
"""

from __future__ import annotations

from asyncio import to_thread
from collections.abc import Iterable
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual import work
from textual.app import SystemCommand
from textual.binding import Binding, BindingType
from textual.screen import Screen

from chrono.dashboard.actions import ACTIONS, LIVE_ONLY, RECORDS, REPLAY_ONLY
from chrono.dashboard.dialogs import LinesDialog, QuitDialog, TextDialog
from chrono.dashboard.preferences import SIGNALS
from chrono.dashboard.screens import MODES, lab_screen
from chrono.dashboard.shot_navigation import GoingApp
from chrono.dashboard.shot_text import shot_lines
from chrono.dashboard.thread_latency import short_turns
from chrono.session.troubles import disk_line
from chrono.units import SPEED_UNITS

if TYPE_CHECKING:
    from chrono.rigs.file import Rig
    from chrono.session.recorded import Findings, Progress
    from chrono.session.run import Run
    from chrono.session.shotlog import ShotRow


def show(run: Run, findings: Findings) -> None:
    """
    Show a run until the operator quits.

    Parameters
    ----------
    run : Run
        Not started yet; it is closed in the end.
    findings : Findings
        Takes what went wrong on the way.

    Raises
    ------
    ChronoError
        If the source cannot be opened.
    """
    run.start()
    _run_app(Dashboard(run), findings)


def show_replay(
    path: Path,
    rig: Rig | None,
    pace: float | None,
    findings: Findings,
    clock_from_host: bool = False,
    *,
    edit: bool = False,
) -> None:
    """
    Read a recording behind a progress bar, then show it.

    Parameters
    ----------
    path : Path
        The recording.
    rig : Rig or None
        Measure with this rig instead of the last one in the recording.
    pace : float or None
        Recorded seconds in a second; None for all shots at once.
    findings : Findings
        Takes what is wrong with the recording.
    clock_from_host : bool, optional
        Take the counter's rate from its beats, whatever the rig says.
    edit : bool, optional
        Let what is said go into the recording without asking.

    Raises
    ------
    ChronoError
        If the recording cannot be used.
    """

    from chrono.session.recorded import read_recording
    from chrono.session.replay import replay_run

    def load(progress: Progress) -> Run:
        recorded = read_recording(path, rig, progress, clock_from_host=clock_from_host)
        findings.add(recorded)
        run = replay_run(path, recorded.session, pace)
        if edit:
            run.edits.agree()
        run.start()
        return run

    _run_app(Dashboard(load=load, name=path.name), findings)


def show_followed(path: Path, rig: Rig | None, findings: Findings) -> None:
    """
    Read what a recording holds behind a progress bar, then show it as it grows.

    Parameters
    ----------
    path : Path
        The recording, which another program writes.
    rig : Rig or None
        Measure with this rig instead of the last one in the recording.
    findings : Findings
        Takes what is wrong with the recording.

    Raises
    ------
    ChronoError
        If the recording cannot be used.
    """

    from chrono.reader.size import size_of
    from chrono.session.follow import follow_run

    def load(progress: Progress) -> Run:
        run = follow_run(path, rig)
        run.start()
        run.catch_up(lambda done: progress(done, size_of(path)))
        return run

    _run_app(Dashboard(load=load, name=path.name), findings)


def _run_app(app: Dashboard, findings: Findings) -> None:
    try:
        with short_turns():
            app.run()
    finally:
        if app.loaded:
            findings.lines += app.clocking.close()
    if app.trouble is not None:
        raise app.trouble
    if app.return_code:
        raise SystemExit(app.return_code)


class Dashboard(GoingApp):
    """The application; its parameters are those of `DrivenApp`."""

    TITLE = "chrono"
    CSS_PATH = Path(__file__).with_name("dashboard.tcss")
    MODES = dict(MODES)  # noqa: RUF012
    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(action.key, action.name, action.label) for action in ACTIONS),
        Binding("escape", "shots", show=False),
        Binding("ctrl+c", "interrupt", show=False, priority=True),
    ]

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Tell which actions make sense now; the others are not even shown."""
        run = self.shown
        if action in _NAMES and getattr(self.screen, "keys_are_its_own", False):
            return False
        if action not in _NAMES or (run is None and action == "quit"):
            return True
        if run is None:
            return False
        if action == "previous_shot":
            return run.replayed
        if action in {"next_match", "previous_match"} and not self.sought:
            return False
        if action in REPLAY_ONLY:
            return run.replayed and not run.finished
        if action in LIVE_ONLY:
            return run.live and not run.finished
        if action in RECORDS and not run.takes_records:
            return False
        if action == "write_elsewhere":
            return run.writer is not None and run.writer.trouble is not None
        if action == "undo":
            return bool(run.said)
        if action in MODES:
            return action != self.current_mode
        if action in SHOT_ACTIONS:
            return self.current_mode == "shots"
        if action == "signal":
            return not run.finished
        if action == "unit":
            return self.current_mode in {"shots", "far", "comparison"}
        return True

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:
        """Offer every action by name."""
        for command in super().get_system_commands(screen):
            if command.title in SYSTEM_COMMANDS:
                yield command
        for action in ACTIONS:
            if self.check_action(action.name, ()):
                yield SystemCommand(
                    action.title, action.help, getattr(self, f"action_{action.name}")
                )

    def action_shots(self) -> None:
        """Show the shots."""
        self.switch_mode("shots")

    def action_far(self) -> None:
        """Show the last speed as large as the terminal."""
        self.switch_mode("far")

    def action_comparison(self) -> None:
        """Compare the setups."""
        self.switch_mode("comparison")

    def action_beams(self) -> None:
        """Show gates, link and clock."""
        self.switch_mode("beams")

    def action_help(self) -> None:
        """Show the help."""
        self.switch_mode("help")

    def action_lab(self) -> None:
        """Open the error lab with the gates of this session."""
        self.push_screen(lab_screen(self.clocking))

    def action_whole_shot(self) -> None:
        """Show all there is to say of the selected shot."""
        row = self.selected_shot()
        if row is not None:
            setup = self.clocking.session.setups.last(row.setup)
            lines = shot_lines(row, setup, self.unit)
            self.push_screen(LinesDialog(f"Shot {row.number}", lines))

    def action_motion(self) -> None:
        """Work out what the selected shot's speed means, and show it."""
        row = self.selected_shot()
        if row is None:
            return
        if isfinite(row.speed_mps):
            self._work_out(row)
        else:
            self.say(f"Shot {row.number} has no speed.")

    @work(exclusive=True, group="motion")
    async def _work_out(self, row: ShotRow) -> None:
        def worked_out() -> list[str]:
            from chrono.reports.motion import motion_lines

            return motion_lines(row, session.rig, own, self.unit)

        session = self.clocking.session
        own = session.setups.last(row.setup).body
        dialog = LinesDialog(f"Shot {row.number}", ["being worked out …"])
        await self.push_screen(dialog)
        dialog.tell(await to_thread(worked_out))

    def action_unit(self) -> None:
        """Show speeds in the next unit."""
        units = list(SPEED_UNITS)
        self.choose_unit(units[(units.index(self.unit) + 1) % len(units)])
        self.refresh_all()

    def action_signal(self) -> None:
        """Tell of shots by the next kind of signal."""
        signal = SIGNALS[(SIGNALS.index(self.signal_of_shots) + 1) % len(SIGNALS)]
        self.choose_signal(signal)
        self.notify(f"Signal of a new shot: {signal or 'none'}", timeout=3)

    def action_plot(self) -> None:
        """Show the plot or hide it."""
        if self.shots_screen is not None:
            self.shots_screen.toggle_plot()

    def action_histogram(self) -> None:
        """Change between speed by shot and histogram; a hidden plot is shown."""
        if self.shots_screen is not None:
            self.shots_screen.toggle_histogram()

    def action_write_elsewhere(self) -> None:
        """Ask for a second place for the recording."""
        writer = self.clocking.writer
        if writer is None:
            return

        def move(text: str | None) -> None:
            if text:
                self._move(Path(text).expanduser())

        title = f"Write the whole recording to which new file? ({disk_line(writer)})"
        default = str(Path.home() / writer.path.name)
        self.push_screen(TextDialog(title, default, required=True), move)

    async def action_interrupt(self) -> None:
        """Quit as ever; where that has been asked already, do."""
        if isinstance(self.screen, QuitDialog):
            self.screen.dismiss(True)
        else:
            await self.action_quit()

    async def action_quit(self) -> None:
        """End; a live session is asked about first."""
        run = self.shown
        if run is None or not run.live or run.finished:
            self.exit()
            return

        def leave(wanted: bool | None) -> None:
            if wanted:
                self.exit()

        self.push_screen(QuitDialog(_parting_words(run)), leave)

    # -- helpers -----------------------------------------------------------------------

    @work(thread=True, exclusive=True, exit_on_error=False, group="move")
    def _move(self, path: Path) -> None:
        writer = self.clocking.writer
        assert writer is not None
        writer.move_to(path)


SHOT_ACTIONS = frozenset(
    {
        *("set_aside", "count_again", "note", "plot", "histogram", "motion"),
        *("whole_shot", "find", "next_match", "previous_match", "correct_setup"),
    }
)
SYSTEM_COMMANDS = frozenset({"Theme", "Screenshot"})
"""Those of Textual's own that neither hide a caution nor double an action."""
_NAMES = frozenset(action.name for action in ACTIONS)


def _parting_words(run: Run) -> list[str]:
    writer = run.writer
    if writer is None:
        return ["This session is not recorded: its shots will be gone."]
    lines = [f"The recording is kept: {writer.path}"]
    trouble = disk_line(writer) if writer.trouble else ""
    return [*lines, f"But {trouble}: press n, then w to write elsewhere."] if trouble else lines
