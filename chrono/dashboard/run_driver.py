"""An application that drives one run in its own loop of events and shows it.

It reads the recording first where there is one to read, takes what has come a hundred times a
second, and lets the screen follow. What the operator does is no business of this file.
"""

from __future__ import annotations

import signal
from asyncio import get_running_loop
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from math import isfinite
from time import monotonic
from typing import TYPE_CHECKING, cast

from textual import events, on, work
from textual.app import App
from textual.message import Message
from textual.worker import Worker, WorkerState, get_current_worker

from chrono.dashboard.actions import ACTIONS
from chrono.dashboard.base_app import ON_DARK, ON_LIGHT
from chrono.dashboard.caution import CautionScreen
from chrono.dashboard.dialogs import plain_lines
from chrono.dashboard.fields import TypedDialog
from chrono.dashboard.framed_screen import FramedScreen
from chrono.dashboard.loading_screen import LoadingScreen
from chrono.dashboard.preferences import SIGNALS, Memory, keep, recall
from chrono.dashboard.thread_latency import freeze_widgets
from chrono.errors import ChronoError
from chrono.units import SPEED_UNITS

if TYPE_CHECKING:
    from chrono.dashboard.shots_screen import ShotsScreen
    from chrono.session.looks import Looks, SessionView
    from chrono.session.recorded import Progress
    from chrono.session.run import Run

POLL_S = 1 / 100
"""How often waiting rows are taken."""
SHOW_S = 1 / 10
"""How often the screen follows; a new shot does not wait for it."""
MORE_EDGES_S = 0.03
"""A shot that may soon have more edges is shown so much later, or with them at once."""
SHOWN_SHOTS = 200
FLASH_S = 0.15
FLASH_APART_S = 0.4
"""No more than three flashes in any second (WCAG 2.2, 2.3.1)."""

Load = Callable[["Progress"], "Run"]


def end_on_signals(end: Callable[[], None]) -> None:
    """Let the signals that end programs end the application, which restores the terminal."""
    for name in ("SIGTERM", "SIGHUP"):
        with suppress(AttributeError, NotImplementedError, RuntimeError, ValueError):
            get_running_loop().add_signal_handler(getattr(signal, name), end)


class _Cancelled(Exception):  # noqa: N818 - no error: the operator has left
    """Reading is no longer wanted."""


class DrivenApp(App[None]):
    """
    The application without what the operator does; `MODES` names its screens.

    Parameters
    ----------
    run : Run, optional
        Started already.
    load : callable, optional
        Makes the run when there is none yet, in a thread, told how to report progress.
    name : str, optional
        What is being loaded.
    """

    HORIZONTAL_BREAKPOINTS = [(0, "-slim"), (76, "-narrow"), (100, "-wide")]  # noqa: RUF012
    VERTICAL_BREAKPOINTS = [(0, "-low"), (32, "-high")]  # noqa: RUF012

    class Progressed(Message):
        """So many bytes of so many were read."""

        def __init__(self, done: int, total: int) -> None:
            super().__init__()
            self.done, self.total = done, total

        def can_replace(self, message: Message) -> bool:
            """Only the latest counts."""
            return isinstance(message, DrivenApp.Progressed)

    def __init__(
        self, run: Run | None = None, load: Load | None = None, name: str = ""
    ) -> None:
        super().__init__()
        self.ansi_theme_dark, self.ansi_theme_light = ON_DARK, ON_LIGHT
        self._memory = recall()
        if self._memory.theme in self.available_themes:
            self.theme = self._memory.theme
        self.shown = run
        """The run, None while it is being loaded."""
        self._load = load
        self._load_name = name
        self.view: SessionView | None = None
        self._looks: Looks | None = None
        self.unit = "m/s"
        self.trouble: ChronoError | None = None
        """What ended the dashboard, None if the operator did."""
        self._stale = True
        self._changed_at = 0.0
        self._flashed_at = 0.0
        self._whole_seen = 0
        self._parts_seen = 0
        self._remeasured_us: int | None = None
        self._able: object = None
        self._ready_for: object = None
        """The model whose coverage was worked out last; None before the first screen stands."""

    @property
    def loaded(self) -> bool:
        """Whether there is a run to show."""
        return self.shown is not None

    @property
    def clocking(self) -> Run:
        """The run that is shown."""
        assert self.shown is not None
        return self.shown

    @property
    def looks(self) -> Looks:
        """What is looked at of the session that is shown now."""
        from chrono.session.looks import Looks

        session = self.clocking.session
        if self._looks is None or self._looks.session is not session:
            self._looks = Looks(session)
        return self._looks

    # -- beginning ---------------------------------------------------------------------

    def on_mount(self) -> None:
        """Show the run, or load it first."""
        end_on_signals(self.exit)
        if self.loaded:
            self._begin()
        else:
            self.push_screen(LoadingScreen(self._load_name))
            self._read()

    @work(thread=True, exclusive=True, exit_on_error=False, group="load")
    def _read(self) -> Run:
        assert self._load is not None
        worker = get_current_worker()

        def progress(done: int, total: int) -> None:
            if worker.is_cancelled:
                raise _Cancelled
            self.post_message(self.Progressed(done, total))

        run = self._load(progress)
        run.session.make_ready()
        return run

    @on(Progressed)
    def _show_progress(self, message: Progressed) -> None:
        if isinstance(self.screen, LoadingScreen):
            self.screen.show_progress(message.done, message.total)

    @on(Worker.StateChanged)
    def _take_result(self, event: Worker.StateChanged) -> None:
        worker = event.worker
        if event.state == WorkerState.ERROR and isinstance(worker.error, ChronoError):
            self._take_error(worker.group, worker.error)
        elif event.state == WorkerState.ERROR and worker.error is not None:
            raise worker.error
        elif event.state == WorkerState.SUCCESS and worker.group == "load":
            self.shown = worker.result
            self._begin()
        elif event.state == WorkerState.SUCCESS and worker.group == "ready":
            freeze_widgets()  # and what shots need, which is loaded by now

    def _take_error(self, group: str, error: ChronoError) -> None:
        if group == "load":
            self.trouble = error
            self.exit()
        else:
            self.say(str(error))

    async def on_key(self, event: events.Key) -> None:
        """Give a dialog the keys that came while it was put up."""
        dialog = self.screen
        if isinstance(dialog, TypedDialog) and (event.is_printable or not dialog.stands):
            event.prevent_default()
            await dialog.take(event)

    def _begin(self) -> None:
        self._whole_seen = len(self.clocking.session.log)
        self.unit = self._usual_unit()
        self.switch_mode("shots")
        if self.clocking.live:
            self.push_screen(CautionScreen())
        self.set_interval(POLL_S, self.drive)
        self.set_interval(SHOW_S, self.follow)
        self.call_after_refresh(self._get_ready)

    def _get_ready(self) -> None:
        """Have done beside the screen what the next shot would wait for."""
        model = self.clocking.session.model
        if model is not self._ready_for:
            self._ready_for = model
            self._make_ready()

    @work(thread=True, group="ready")
    def _make_ready(self) -> None:
        self.clocking.session.make_ready()

    def _usual_unit(self) -> str:
        """Return the unit chosen last in the place of the rig's, or the rig's."""
        stated, chosen = self.clocking.session.rig.speed_unit, self._memory
        is_known = chosen.unit in SPEED_UNITS and chosen.rig_unit == stated
        return chosen.unit if is_known else stated

    def watch_theme(self, theme: str) -> None:
        """Remember the theme for the next session."""
        if theme != self._memory.theme and self.is_running:
            self._remember(replace(self._memory, theme=theme))

    def choose_unit(self, unit: str) -> None:
        """Show speeds in this unit, and remember it for rigs of the same unit as this one."""
        self.unit = unit
        stated = self.clocking.session.rig.speed_unit
        self._remember(replace(self._memory, unit=unit, rig_unit=stated))

    def _remember(self, memory: Memory) -> None:
        self._memory = memory
        keep(memory)

    # -- driving and showing -----------------------------------------------------------

    def drive(self) -> None:
        """Take what has come; a new shot is shown at once."""
        if self.trouble is not None:
            return
        try:
            changed = self.clocking.step()
        except ChronoError as trouble:
            self.trouble = trouble
            self.exit()
            return
        if changed:
            self._stale = True
            self._changed_at = monotonic()
            if self._ready_for is not None:  # a board's own counter makes another model
                self._get_ready()
            self._look_for_news()
            self._tell_remeasured()

    def _tell_remeasured(self) -> None:
        """Speeds that stood on the screen have changed: say why."""
        from chrono.session.counter_rate import remeasured_words

        run = self.clocking
        if run.remeasured_us != self._remeasured_us:
            self._remeasured_us = run.remeasured_us
            self.notify(remeasured_words(run.session), timeout=12, markup=False)

    def show_instead(self, run: Run) -> None:
        """Show another run of the same recording from here on."""
        self.shown = run
        self._whole_seen, self._parts_seen = len(run.session.log), 0
        self._remeasured_us = run.remeasured_us
        self.refresh_all()

    def _look_for_news(self) -> None:
        """Show a new shot at once; one that may soon have more edges waits a little."""
        session = self.clocking.session
        speeds = [row.edges_used for row in session.open_rows() if isfinite(row.speed_mps)]
        whole, parts = len(session.log) + speeds.count("both"), len(speeds)
        if whole > self._whole_seen:
            self.show_session()
            self._signal_shot()
        elif parts > self._parts_seen:
            self.set_timer(MORE_EDGES_S, self._show_if_stale)
        self._whole_seen, self._parts_seen = whole, parts

    def _signal_shot(self) -> None:
        """Let a bell or a flash tell of a shot; flashes come no faster than is safe to see."""
        if self._memory.signal == "bell":
            self.bell()
        elif self._memory.signal == "flash" and monotonic() - self._flashed_at > FLASH_APART_S:
            self._flashed_at = monotonic()
            screen = self.screen
            screen.add_class("-flash")
            self.set_timer(FLASH_S, lambda: screen.remove_class("-flash"))

    def choose_signal(self, signal: str) -> None:
        """Let shots be told of by this, and remember it."""
        self._remember(replace(self._memory, signal=signal))

    @property
    def signal_of_shots(self) -> str:
        """What tells of a new shot: nothing, a bell or a flash."""
        return self._memory.signal if self._memory.signal in SIGNALS else ""

    def _show_if_stale(self) -> None:
        if self._stale:
            self.show_session()

    def follow(self) -> None:
        """Follow what is no shot: lines, link, disk, time."""
        if monotonic() - self._changed_at > MORE_EDGES_S:
            self._show_if_stale()
        screen = self.base
        if screen is not None:
            screen.show_run(self.clocking)
        able = [action.name for action in ACTIONS if self.check_action(action.name, ())]
        if able != self._able:
            self._able = able
            self.refresh_bindings()

    @property
    def base(self) -> FramedScreen | None:
        """The screen below any dialogs, while it is there."""
        if not self.is_running:
            return None
        base = self.screen_stack[0]
        return base if isinstance(base, FramedScreen) and base.ready else None

    @property
    def shots_screen(self) -> ShotsScreen | None:
        """The Shots screen where it is the one below any dialogs."""
        return cast("ShotsScreen", self.base) if self.current_mode == "shots" else None

    def show_session(self) -> None:
        """Show shots and statistics as they are now."""
        self._stale = False
        self.view = self.looks.view(SHOWN_SHOTS)
        if self.base is not None:
            self.base.show_view(self.view, self.unit)

    def refresh_all(self) -> None:
        """Bring the screen up to date in every part."""
        if self.loaded and self.base is not None:
            self.show_session()
            self.base.show_run(self.clocking)

    def say(self, text: str) -> None:
        """Tell the operator of something that did not go well."""
        self.notify(plain_lines(text), severity="warning", timeout=8, markup=False)
