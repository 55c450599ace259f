"""The dashboard shows a session or a replay, and the operator controls it with keys.

The program writes each line of the board into the recording before the application reads this
line, so an error in a screen cannot lose a shot. The application contains the actions for the
whole session; the Shots screen contains the actions for one shot.

To start fast, this module first loads only the library Textual. The code for the speeds is
loaded later, while the data are loaded. The code of a screen is loaded when the user opens this
screen for the first time. After the first screen appears, a thread loads the library Scipy.
"""

from __future__ import annotations

import sys
from asyncio import to_thread
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, ClassVar

from textual import work
from textual.app import SystemCommand
from textual.binding import Binding, BindingType
from textual.dom import DOMNode
from textual.message import Message
from textual.reactive import reactive
from textual.screen import Screen

from chrono.dashboard.actions import ACTION, ACTIONS, GROUPS, Situation
from chrono.dashboard.base_app import BaseApp, freeze_widgets, short_turns
from chrono.dashboard.dialogs import CautionScreen, QuitDialog, SetupDialog, TextDialog, asks
from chrono.dashboard.framed_screen import FramedScreen
from chrono.dashboard.loading_screen import Load, LoadingScreen
from chrono.dashboard.run_driver import MORE_EDGES_S, RunDriver
from chrono.dashboard.shot_edits import ShotEdits
from chrono.dashboard.shot_navigation import ReplayControls, ShotFinder
from chrono.errors import ChronoError
from chrono.reports.trouble_text import disk_line, waiting_words
from chrono.session.operator_records import HOLD_OFF, HOLD_ON, NOTE, Mark

if TYPE_CHECKING:
    from chrono.reports.findings_text import Findings
    from chrono.rigs.rig_model import Rig
    from chrono.session.recording_loader import Progress
    from chrono.session.run import Run

POLL_S = 1 / 100
"""Time between two checks for new rows [s]."""
SHOW_S = 1 / 10
"""Time between two updates of the screen [s]; a new shot is shown at once."""
FLASH_S = 0.15
FLASH_APART_S = 0.4
"""Shortest time between two flashes [s]: at most three flashes per second (WCAG 2.2,
2.3.1)."""
SYSTEM_COMMANDS = frozenset({"Theme", "Screenshot"})
"""Only these commands of Textual are offered; others hide a caution or repeat an action."""


def show(run: Run, findings: Findings) -> None:
    """
    Show a live session or a replay until the operator quits.

    Parameters
    ----------
    run : Run
        A run that is not started yet; it is closed at the end.
    findings : Findings
        Collects the problems of the run.

    Raises
    ------
    ChronoError
        If the source of the data cannot be opened.
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
    Show a progress bar while a recording is loaded, then replay the recording.

    Parameters
    ----------
    path : Path
        The recording.
    rig : Rig or None
        Rig to measure with; None for the last rig in the recording.
    pace : float or None
        Recorded seconds per second of replay; None to show all shots at once.
    findings : Findings
        Collects the problems of the recording.
    clock_from_host : bool, optional
        Find the counter's rate from its beats, even if the rig states a rate.
    edit : bool, optional
        Store the operator's entries in the recording without asking.

    Raises
    ------
    ChronoError
        If the recording cannot be used.
    """

    from chrono.session.recording_loader import read_recording
    from chrono.session.replay_run import replay_run

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
    Show a progress bar while a recording is loaded, then show each new shot.

    Parameters
    ----------
    path : Path
        The recording, which another program writes.
    rig : Rig or None
        Rig to measure with; None for the last rig in the recording.
    findings : Findings
        Collects the problems of the recording.

    Raises
    ------
    ChronoError
        If the recording cannot be used.
    """

    from chrono.reader.file_io import size_of
    from chrono.session.replay_run import follow_run

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
            run = app.driver.run
            if words := waiting_words(run.waiting_s):
                print(words, file=sys.stderr)  # the screen is gone, but the disk is slow
            findings.take(run.close())
    if app.trouble is not None:
        raise app.trouble
    if app.return_code:
        raise SystemExit(app.return_code)


class RowsCame(Message):
    """A message to the application: new rows of the recording can be read now."""


class Dashboard(BaseApp[None]):
    """
    The application that shows a live session, a replay or a growing recording.

    Parameters
    ----------
    run : Run, optional
        A run that was started already.
    load : callable, optional
        Function that makes the run in a thread, if there is no run yet. Its argument is a
        function that reports progress.
    name : str, optional
        Name of the recording that is loaded.

    Attributes
    ----------
    loaded : bool
        True if there is a run. Then `driver`, `edits`, `finder` and `replay` exist.
    trouble : ChronoError or None
        The error that ended the dashboard; None if the operator ended it.
    """

    HORIZONTAL_BREAKPOINTS = [(0, "-slim"), (76, "-narrow"), (100, "-wide")]  # noqa: RUF012
    VERTICAL_BREAKPOINTS = [(0, "-tiny"), (9, "-low"), (32, "-high")]  # noqa: RUF012
    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(act.key, act.name, act.label) for act in ACTIONS if act.group != "shot"),
        Binding("escape", "shots", show=False),
        Binding("ctrl+c", "interrupt", show=False, priority=True),
    ]

    keys_shown_for = reactive(Situation(), repaint=False, init=False, bindings=True)
    """The situation that decides which keys are shown; a new situation refreshes the keys."""

    def __init__(
        self, run: Run | None = None, load: Load | None = None, name: str = ""
    ) -> None:
        super().__init__()
        self.loaded = False
        self.trouble: ChronoError | None = None
        self._load, self._load_name = load, name
        self._flashed_at = 0.0
        for mode, screen in SCREENS.items():
            self.add_mode(mode, partial(screen, self))
        if run is not None:
            self._take_over(run)

    # -- beginning ---------------------------------------------------------------------

    def on_mount(self) -> None:
        """Show the session or the replay. If a recording is not loaded yet, load it first."""
        if self.loaded:
            self._begin()
        else:
            self._load_and_begin()

    @work
    async def _load_and_begin(self) -> None:
        assert self._load is not None
        loaded = await self.push_screen_wait(LoadingScreen(self._load, self._load_name))
        if isinstance(loaded, ChronoError):
            self.trouble = loaded
            self.exit()
        elif self.is_running:
            self._take_over(loaded)
            self._begin()

    def _take_over(self, run: Run) -> None:
        self.driver = RunDriver(run)
        self.edits = ShotEdits(self, self.driver, self.drive_and_show)
        self.finder = ShotFinder(self.driver)
        self.replay = ReplayControls(self.driver, self.refresh_all)
        self.loaded = True

    def _begin(self) -> None:
        self.preferences.use_rig_unit(self.driver.run.session.rig.speed_unit)
        self.switch_mode("shots")
        if self.driver.run.live:
            cautions = CautionScreen(self.driver.run.writer is not None)
            # A notice would cover the last lines of the cautions.
            self.push_screen(cautions, lambda _: self._say_other_unit())
        else:
            self._say_other_unit()
        self.driver.run.call_when_ready(self._say_that_rows_came)
        self.set_interval(POLL_S, self.drive)
        self.set_interval(SHOW_S, self.follow)
        self.call_after_refresh(self._prepare_if_needed)

    def _say_other_unit(self) -> None:
        """Say if speeds are not in the rig file's unit."""
        rig_unit = self.driver.run.session.rig.speed_unit
        if self.preferences.unit != rig_unit:
            self.notify(
                f"Speeds are in {self.preferences.unit}, because you chose this unit last "
                f"time. The rig file uses {rig_unit}. To choose another unit, press u.",
                timeout=12,
                markup=False,
            )

    def _prepare_if_needed(self) -> None:
        if self.driver.notice_new_model():
            self._prepare()

    @work(group="ready")
    async def _prepare(self) -> None:
        """Prepare the speed model in a thread, so that the next shot appears without delay."""
        await to_thread(self.driver.prepare)
        freeze_widgets()  # the code for shots is loaded now too

    # -- what is possible now ------------------------------------------------------------

    @property
    def situation(self) -> Situation:
        """The current facts that decide which actions are possible."""
        if not self.loaded or self.current_mode not in SCREENS:
            return Situation()
        run = self.driver.run
        has_lab = any(not screen.is_modal for screen in self.screen_stack[1:])
        return Situation(
            screen="lab" if has_lab else self.current_mode,
            live=run.live,
            replayed=run.replayed,
            finished=run.finished,
            takes_records=run.takes_records,
            undoable=bool(run.said),
            sought=bool(self.finder.sought),
            has_analog=run.has_analog,
            disk_trouble=run.writer is not None and run.writer.trouble is not None,
        )

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """
        Return whether an action is possible now.

        If an action is not possible, the screen does not show its key.
        """
        return action not in ACTION or ACTION[action].possible(self.situation)

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:
        """
        Yield one entry of Textual's list of commands for each action that is possible now.
        """
        for command in super().get_system_commands(screen):
            if command.title in SYSTEM_COMMANDS:
                yield command
        for action in ACTIONS:
            # A dialog may cover the screen that has the action.
            owner: DOMNode = self.screen_stack[0] if action.group == "shot" else self
            if self.check_action(action.name, ()):
                method = getattr(owner, f"action_{action.name}")
                words = f"{GROUPS[action.group]}, {action.sign}: {action.help}"
                yield SystemCommand(action.title, words, method)

    # -- driving and showing -------------------------------------------------------------

    def drive(self) -> None:
        """Read the new rows of the recording, and show a new shot at once."""
        if self.trouble is not None or not self.loaded:
            return
        try:
            change = self.driver.step()
        except ChronoError as trouble:
            self.trouble = trouble
            self.exit()
            return
        if change.any and self.driver.prepares:  # the rate of a counter changes the model
            self._prepare_if_needed()
        if change.whole_shot:
            self.show_session()
            self.signal_shot()
        elif change.entered:
            self.refresh_all()
        elif change.part_of_shot:
            self.set_timer(MORE_EDGES_S, self._show_if_stale)
        if change.remeasured:
            self._tell_remeasured()

    def _say_that_rows_came(self) -> None:
        """Tell the application from another thread that it can read new rows."""
        self.post_message(RowsCame())

    def on_rows_came(self) -> None:
        """Read the new rows."""
        self.drive()

    def _tell_remeasured(self) -> None:
        from chrono.reports.clock_text import remeasured_words

        words = remeasured_words(self.driver.run.session)
        self.notify(words, timeout=12, markup=False)

    def follow(self) -> None:
        """Update the display of the run's state: received lines, link, disk and time."""
        if self.driver.settled:
            self._show_if_stale()
        screen = self.base
        if screen is not None:
            screen.show_run(self.driver.run)
            self.keys_shown_for = self.situation

    @property
    def base(self) -> FramedScreen | None:
        """The screen below all open dialogs; None if no screen is open."""
        screen = next(iter(self.screen_stack), None)
        return screen if isinstance(screen, FramedScreen) and screen.stands else None

    def _show_if_stale(self) -> None:
        if self.driver.stale:
            self.show_session()

    def show_session(self) -> None:
        """Show the current shots and statistics."""
        view = self.driver.look()
        if self.base is not None:
            self.base.show_view(view, self.preferences.unit)

    def refresh_all(self) -> None:
        """Update the whole screen and the keys that it shows."""
        screen = self.base
        if screen is not None:
            screen.refresh_all()
            self.keys_shown_for = self.situation

    def drive_and_show(self) -> None:
        """Read the operator's new entries, and update the screen."""
        self.drive()
        self.refresh_all()

    def signal_shot(self) -> None:
        """For a new shot, ring the bell or flash the screen, but do not flash too often."""
        if self.preferences.signal == "bell":
            self.bell()
        elif self.preferences.signal == "flash" and self._may_flash():
            self._flashed_at = monotonic()
            for screen in self.screen_stack[-1:]:
                screen.add_class("-flash")
                self.set_timer(FLASH_S, partial(screen.remove_class, "-flash"))

    def _may_flash(self) -> bool:
        return monotonic() - self._flashed_at > FLASH_APART_S

    # -- screens -------------------------------------------------------------------------

    def action_shots(self) -> None:
        """Show the shots."""
        self.switch_mode("shots")

    def action_far(self) -> None:
        """Open the Far view, which shows the last speed as large as the terminal allows."""
        self.switch_mode("far")

    def action_comparison(self) -> None:
        """Compare the setups."""
        self.switch_mode("comparison")

    def action_beams(self) -> None:
        """Open the screen with the state of the gates, the link to the board and the clock."""
        self.switch_mode("beams")

    def action_tone(self) -> None:
        """Switch the tone that helps to align a gate: to gate A, to gate B, or off."""
        from chrono.dashboard.beams_screen import BeamsScreen

        if isinstance(self.base, BeamsScreen):
            self.base.tone.turn_on()
            self.follow()

    def action_help(self) -> None:
        """Show the help."""
        self.switch_mode("help")

    def action_lab(self) -> None:
        """Open the error lab with the values of this session's gates."""
        from chrono.dashboard.lab_screen import LabScreen
        from chrono.teaching.error_lab import start_of_session

        run = self.driver.run
        path = run.writer.path if run.writer else run.edits.path if run.edits else None
        start = start_of_session(run.session, path)
        self.push_screen(LabScreen(start, caution=run.near_launches))

    # -- the session ---------------------------------------------------------------------

    @asks
    async def action_new_setup(self) -> None:
        """Ask the operator for the launch conditions of the next shots."""
        names = self.driver.run.session.setups.names[-20:]
        dialog = SetupDialog("New setup for the next shots", names)
        setup = await self.push_screen_wait(dialog)
        if setup is not None:
            self.edits.set_up(setup)

    @asks
    async def action_session_note(self) -> None:
        """Ask the operator for a note on the session."""
        if await self.edits.may_enter():
            dialog = TextDialog("Note on the session", required=True)
            text = await self.push_screen_wait(dialog)
            if text and self.edits.mark(Mark(NOTE, text=text)):
                self.notify("The note about the session is saved.", markup=False)

    def action_hold(self) -> None:
        """Switch the hold on or off. During a hold, shots are recorded but not counted."""
        on_hold = self.driver.run.session.on_hold
        self.edits.mark(Mark(HOLD_OFF if on_hold else HOLD_ON))

    def action_undo(self) -> None:
        """Undo the last entry."""
        words = self.edits.undo()
        if words:
            self.notify(f"Your last entry was undone: {words}", markup=False)

    def action_unit(self) -> None:
        """Show all speeds in the next unit, such as km/h instead of m/s."""
        self.preferences.next_unit(self.driver.run.session.rig.speed_unit)
        self.refresh_all()

    def action_signal(self) -> None:
        """Switch to the next kind of signal for new shots: no signal, bell or flash."""
        signal = self.preferences.next_signal()
        self.notify(f"Signal for new shots: {signal or 'none'}", timeout=3)

    @asks
    async def action_write_elsewhere(self) -> None:
        """Ask the operator for a new file, and write the whole recording there."""
        writer = self.driver.run.writer
        if writer is None:
            return
        title = f"Enter the name of a new file for the whole recording ({disk_line(writer)})"
        default = str(Path.home() / writer.path.name)
        text = await self.push_screen_wait(
            TextDialog(title, default, required=True, enter="write there")
        )
        if text:
            try:
                await to_thread(writer.move_to, Path(text).expanduser())
            except ChronoError as error:
                self.warn(str(error))

    async def action_interrupt(self) -> None:
        """Ask the operator whether to quit; a second key press quits at once."""
        if isinstance(self.screen, QuitDialog):
            self.screen.dismiss(True)
        else:
            await self.action_quit()

    @asks
    async def action_quit(self) -> None:
        """Quit; during a live session, ask the operator first."""
        run = self.driver.run if self.loaded else None
        is_clocking = run is not None and run.live and not run.finished
        if not is_clocking or await self.push_screen_wait(QuitDialog(_parting_words(run))):
            self.exit()

    # -- the time of a replay ------------------------------------------------------------

    def action_pause(self) -> None:
        """Pause the replay, or continue a paused replay."""
        self.replay.pause_or_resume()

    def action_faster(self) -> None:
        """Increase the speed of the replay by one step."""
        self.replay.play_faster()

    def action_slower(self) -> None:
        """Reduce the speed of the replay by one step."""
        self.replay.play_slower()

    def action_next_shot(self) -> None:
        """Continue the replay up to the next shot, and pause there."""
        self.replay.step_to_next_shot()

    @work(exclusive=True, group="go")
    async def action_previous_shot(self) -> None:
        """Move the replay back to the previous shot and pause there."""
        await self.replay.go_to_previous_shot()


def _parting_words(run: Run | None) -> list[str]:
    writer = run.writer if run is not None else None
    if writer is None:
        return ["This session is not recorded: its shots will be lost."]
    if not writer.trouble:
        return [f"The recording is saved: {writer.path}"]
    return [
        f"The recording is not saved completely: {writer.path}",
        f"The disk has a problem: {disk_line(writer)}. To save in a new file, press n, then w.",
    ]


# Each screen is loaded when it is first shown, so that the first screen appears sooner.


def _shots(app: Dashboard) -> Screen[None]:
    from chrono.dashboard.shots_screen import ShotsScreen

    return ShotsScreen(app.driver, app.preferences, app.edits, app.finder, app.replay)


def _far(app: Dashboard) -> Screen[None]:
    from chrono.dashboard.far_screen import FarScreen

    return FarScreen(app.driver, app.preferences, app.edits)


def _comparison(app: Dashboard) -> Screen[None]:
    from chrono.dashboard.comparison_screen import ComparisonScreen

    return ComparisonScreen(app.driver, app.preferences)


def _beams(app: Dashboard) -> Screen[None]:
    from chrono.dashboard.beams_screen import BeamsScreen

    return BeamsScreen(app.driver, app.preferences)


def _help(app: Dashboard) -> Screen[None]:
    from chrono.dashboard.help_screen import HelpScreen

    return HelpScreen(app.driver, app.preferences)


SCREENS: dict[str, Callable[[Dashboard], Screen[None]]] = {
    "shots": _shots,
    "far": _far,
    "comparison": _comparison,
    "beams": _beams,
    "help": _help,
}
