"""Read a growing recording and serve its web page.

One thread serves all viewers. Another thread reads the recording and computes the speeds.
"""

import asyncio
import json
import logging
import signal
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from chrono.errors import ChronoError
from chrono.safe_text import plain
from chrono.session.replay_run import FollowRun
from chrono.session.view_cache import ViewCache
from chrono.sharing.connection_limits import (
    MOST_ANSWERED,
    MOST_OPEN,
    SEATS_PER_ADDRESS,
    Seats,
    allow_open_files,
    limited_connections,
)
from chrono.sharing.lesson_control import LessonControl
from chrono.sharing.page_state import Disclosure, page_state_json, page_state_of
from chrono.sharing.web_address import SERVER_NAME
from chrono.sharing.web_app import StateChannel, make_app
from chrono.teaching.guess_rounds import UNMEASURED, MeasuredShot
from chrono.teaching.guesses import guesses_path, keep_guess

POLL_S = 0.02
"""Time between two checks of the recording for new rows [s]."""

SHOW_S = 0.05
"""Shortest time between two updates of the page [s]; people need no faster updates."""

KEPT_SHOTS = 500
"""After this many new shots, the shots for the page are removed from memory."""

BACKLOG = 64
"""Largest number of connections that wait until the server accepts them."""

OTHER_FILES = 100
"""Largest number of open files besides the connections."""

END_WITHIN_S = 2


@dataclass(frozen=True)
class DisplayOptions:
    """
    The options for showing a session to viewers.

    Attributes
    ----------
    unit : str
        Unit of speeds; empty for the rig's unit.
    decimal : str
        The decimal sign.
    seats : int
        Largest number of viewers from one network address.
    hidden : bool
        Hide all shots until the teacher reveals them.
    guesses : bool
        Accept guesses from viewers.
    """

    unit: str = ""
    decimal: str = "."
    seats: int = SEATS_PER_ADDRESS
    hidden: bool = False
    guesses: bool = False

    def control(self) -> LessonControl:
        """Return a new object that handles the teacher's keys."""
        return LessonControl(self.hidden, self.guesses, self.unit or "m/s", self.decimal)


class PageServer(uvicorn.Server):
    """The web server of the page."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Do nothing; `serving` handles signals such as ctrl+c."""
        yield


def serve(
    run: FollowRun,
    bound: socket.socket,
    token: str,
    wishes: DisplayOptions,
    ready: Callable[[], None] = lambda: None,
    is_over: Callable[[], bool] = lambda: False,
    control: LessonControl | None = None,
) -> None:
    """
    Read a growing recording and serve its web page until ctrl+c or another signal.

    Parameters
    ----------
    run : FollowRun
        A run that was started already.
    bound : socket
        Socket that receives the requests; it is closed at the end.
    token : str
        Secret at the beginning of every path; empty for no secret.
    wishes : DisplayOptions
    ready : callable, optional
        Function that is called when the page can be requested.
    is_over : callable, optional
        Function that is called about ten times per second; serving ends when it returns True.
    control : LessonControl, optional
        Handles the teacher's keys; `is_over` may call its methods.
    """
    asyncio.run(serving(run, bound, token, wishes, ready, is_over, control))


async def serving(
    run: FollowRun,
    bound: socket.socket,
    token: str,
    wishes: DisplayOptions,
    ready: Callable[[], None] = lambda: None,
    is_over: Callable[[], bool] = lambda: False,
    control: LessonControl | None = None,
) -> None:
    """Do the same as `serve`, for a program that already runs an asyncio loop."""
    allow_open_files(MOST_OPEN + BACKLOG + OTHER_FILES)
    control = control or wishes.control()
    channel, seats = StateChannel(lambda: beat_of(run)), Seats(wishes.seats)
    guessing = control if wishes.guesses else None
    app = make_app(channel, token, seats, guessing, control.tell_once)
    server = PageServer(_config(app, wishes.seats))
    stop = asyncio.Event()
    with _ended_by_signals(stop):
        tasks = [
            asyncio.create_task(server.serve(sockets=[bound])),
            asyncio.create_task(publish(run, channel, wishes, control)),
            asyncio.create_task(_until_over(stop, is_over)),
        ]
        ready()
        ended, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        channel.close()
        server.should_exit = True
        for task in tasks[1:]:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        control.end()
        await _keep_guesses(run, control)
    for task in ended:
        task.result()  # raises the error of the task, if the task had an error


async def _until_over(stop: asyncio.Event, is_over: Callable[[], bool]) -> None:
    while not (stop.is_set() or is_over()):
        with suppress(TimeoutError):
            async with asyncio.timeout(0.1):
                await stop.wait()


def beat_of(run: FollowRun) -> bytes:
    """Return a message with the time since the last new data in the recording."""
    return json.dumps({"quiet_s": round(run.source.quiet_s, 1)}).encode()


async def publish(
    run: FollowRun, channel: StateChannel, wishes: DisplayOptions, control: LessonControl
) -> None:
    """Read new rows forever; after each change, send the new state of the page to viewers."""
    loop = asyncio.get_running_loop()
    states = _States(run, wishes)
    while True:
        begun_s = loop.time()
        state = await asyncio.to_thread(states.newer, control.disclosure())
        control.note(plain(run.name), states.unit, *states.noted)
        await _keep_guesses(run, control)
        if state:
            quiet = b'"quiet_s":%.1f,' % run.source.quiet_s
            channel.publish(b"{" + quiet + state[1:])
            # If a state takes long to make, half of the time stays free for other work.
            await asyncio.sleep(max(SHOW_S, loop.time() - begun_s))
        await asyncio.sleep(POLL_S)


async def _keep_guesses(run: FollowRun, control: LessonControl) -> None:
    """Write new guesses to a file next to the recording, or show why this is not possible."""
    if kept := control.fetch_kept():
        path = guesses_path(run.path, Path.cwd())
        try:
            await asyncio.to_thread(keep_guess, path, *kept)
        except ChronoError as problem:
            control.said.append(str(problem))


class _States:
    """
    Makes a new state of the page after each change that viewers can see.

    Attributes
    ----------
    unit : str
        Unit in which speeds are shown.
    noted : tuple of int, int and MeasuredShot
        The number of shots, then the number and the measured values of the round's shot.
    """

    def __init__(self, run: FollowRun, wishes: DisplayOptions) -> None:
        self._run, self._wishes = run, wishes
        self._look_anew()
        self._known: object = None
        self._last = b""
        self.unit = wishes.unit or run.session.rig.speed_unit
        self.noted: tuple[int, int, MeasuredShot] = (0, 0, UNMEASURED)

    def _look_anew(self) -> None:
        """Remove old shots from memory, because the page shows only the last shots."""
        self._looks = ViewCache(self._run.session)
        self._until = len(self._run.session.log) + KEPT_SHOTS

    def newer(self, shown: Disclosure) -> bytes:
        """Read new rows; return the new state of the page, or ``b""`` if nothing changed."""
        run, wishes = self._run, self._wishes
        run.catch_up()
        run.step()
        now = (run.session, run.session.revision, run.status.state, run.unwritten, shown)
        if now == self._known:
            return b""
        self._known = now
        if self._looks.session is not run.session or len(run.session.log) > self._until:
            self._look_anew()
        self.unit = wishes.unit or run.session.rig.speed_unit
        self.noted = (len(self._looks), *self._asked(shown.asked_shot))
        state = page_state_of(run, wishes.unit, wishes.decimal, self._looks, shown)
        text = page_state_json(state)
        if text == self._last:
            return b""
        self._last = text
        return text

    def _asked(self, number: int) -> tuple[int, MeasuredShot]:
        """Return the number and the measured values of the shot that the class guesses."""
        if not 0 < number <= len(self._looks):
            return 0, UNMEASURED
        row = self._looks.row(number - 1)
        if row.open and not isfinite(row.speed_mps):
            return 0, UNMEASURED
        return number, MeasuredShot(row.speed_mps, row.U95_mps)


def _config(app: ASGIApp, seats: int) -> uvicorn.Config:
    # Report errors of this program, but not errors in the requests of others.
    for name in ("uvicorn.error", "asyncio"):
        logging.getLogger(name).setLevel(logging.ERROR)
    return uvicorn.Config(
        app,
        http=limited_connections(seats),
        ws="none",
        loop="asyncio",
        lifespan="off",
        interface="asgi3",
        access_log=False,  # a log of requests would contain the secret in the address
        log_config=None,
        proxy_headers=False,
        headers=[("Server", SERVER_NAME)],
        backlog=BACKLOG,
        limit_concurrency=MOST_ANSWERED,
        timeout_keep_alive=1,
        timeout_graceful_shutdown=END_WITHIN_S,
        h11_max_incomplete_event_size=8192,
    )


@contextmanager
def _ended_by_signals(stop: asyncio.Event) -> Iterator[None]:
    """Set the event `stop` when ctrl+c or another signal tells this program to end."""
    loop = asyncio.get_running_loop()

    def end(*_: object) -> None:
        loop.call_soon_threadsafe(stop.set)

    names = ("SIGINT", "SIGTERM", "SIGHUP")
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    before = {number: signal.getsignal(number) for number in numbers}
    with suppress(ValueError):  # outside the main thread no signal arrives
        for number in numbers:
            signal.signal(number, end)
    try:
        yield
    finally:
        with suppress(ValueError):
            for number, handler in before.items():
                signal.signal(number, handler)
