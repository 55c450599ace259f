"""The spine: batches in, shots and what is known about them out.

One code path: a live port, a replay and a bulk run all call `Session.feed` with decoded
rows of a recording, the operator's own rows among them. It knows nothing of files,
ports and screens.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import isfinite

import numpy as np
import numpy.typing as npt

from chrono.arrays.batch import NO_EVENTS, Batch, Control, Events, Sample
from chrono.clock.rate import ClockEstimate
from chrono.errors import ChronoError, RecordingError
from chrono.measuring.budget import Budget
from chrono.measuring.speed import Measured, SpeedModel, join_measured, measure, shot_budget
from chrono.measuring.statistics import Series, series_statistics
from chrono.processor.pipeline import Processor
from chrono.processor.rules import Rules
from chrono.processor.table import EdgesUsed, Shots
from chrono.rigs.file import Rig, rig_from_record, with_clock_rate, with_frequency
from chrono.session import marks
from chrono.session.marks import Mark, Setup
from chrono.session.shotlog import ShotLog, ShotRow, countable, shot_row

SETUP_LIMIT = 10_000
"""More setups than any session has; a file with more is refused."""

MARK_LIMIT = 100_000
SAMPLE_LIMIT = 20

Counter = tuple[float, int]
"""Frequency [Hz] and width of a board's counter."""


@dataclass(frozen=True)
class DamagedLine:
    """A line that could not be used, with its row in the recording counted from 1."""

    row: int
    text: str
    reason: str


@dataclass(frozen=True, eq=False)
class SessionView:
    """What a screen shows, at one moment; `rows` holds the last shots, oldest first."""

    rows: tuple[ShotRow, ...]
    shots: int
    setup: Setup
    series: Series | None
    latest: ShotRow | None
    budget: Budget | None


class Session:
    """
    One run of clocking with one rig.

    Parameters
    ----------
    rig : Rig
        The rig to measure with; a `rig` record met before the first event replaces it.
    capacity : int, optional
        Shots to make room for.
    fixed_rig : bool, optional
        Keep to `rig` whatever the records say.
    """

    def __init__(self, rig: Rig, *, capacity: int = 0, fixed_rig: bool = False) -> None:
        self.rig = rig
        self.last_rig = rig
        """The rig of the last `rig` record: the one that counts."""
        self.log = ShotLog(capacity)
        self.host_rate: ClockEstimate | None = None
        """The counter's rate by the host's clock, where it is what shots are measured with."""
        self.hold = False
        self.started = ""
        """Start of the session as its recording states it, ISO 8601, or empty."""
        self.damaged = 0
        self.rows = 0
        self.damaged_lines: list[DamagedLine] = []
        self.unread_records = 0
        """Setups and marks that are none, left out."""
        self.unread_reasons: list[str] = []
        """Of the first of them: what and when it was, and why it is none."""
        self.revision = 0
        """Grows with every change that a screen could show."""
        self._fixed_rig = fixed_rig
        self._setups = [Setup()]
        self._setup_anchors = [_BEFORE_ALL]
        self._hold_anchors: list[int] = []
        self._hold_states: list[bool] = []
        self._marks: dict[int, tuple[bool | None, str, str]] = {}
        self.session_notes: list[str] = []
        """Notes on the session itself, the last ones."""
        self._rows_kept: list[ShotRow] = []
        self._begun = False
        self._counters: list[tuple[int, Counter | None]] = [(0, None)]
        """From which shot on which counter holds; None: the one that the rig states."""
        self._begin(rig)

    # -- what comes in -----------------------------------------------------------------

    def feed(self, batch: Batch) -> None:
        """
        Take one batch.

        Raises
        ------
        RecordingError
            If the records go beyond any session's bounds.
        """
        done = 0
        waiting: list[Control] = []
        for control in batch.controls:
            if self._splits(control):
                self._process(batch.events.part(done, control.position), waiting)
                done, waiting = control.position, []
            elif control.origin in ("hello", "link"):
                waiting.append(replace(control, position=control.position - done))
            self._take_control(control)
        self._process(batch.events.part(done, len(batch.events)), waiting)
        self._keep_samples(batch.samples)
        self.damaged += batch.damaged
        self.rows += batch.rows
        if batch.rows:
            self.revision += 1

    def pass_time(self, host_us: int) -> None:
        """Close by the host's clock what only silence can close."""
        self._add(self._processor.pass_time(host_us))

    def finish(self) -> None:
        """Close everything: no more data will come."""
        self._add(self._processor.finish())

    @property
    def needs_second_pass(self) -> bool:
        """Whether a later rig record changed what the shots were formed with."""
        return Rules.from_rig(self.last_rig) != self._rules

    def remeasure(self, rig: Rig) -> None:
        """Measure every shot with `rig`; which edges form a shot stays as it was."""
        self._use(rig)
        self.revision += 1

    def use_host_rate(self, found: ClockEstimate | None) -> None:
        """Measure every shot with this rate of the counter; None: with what the rig states."""
        if found != self.host_rate:
            self.host_rate = found
            self.remeasure(self.rig)

    def _splits(self, control: Control) -> bool:
        """
        Tell whether a record asks what the processor made of all before it.

        A stretch of its own costs a millisecond, and a file may hold thousands of records.
        """
        match control.origin:
            case "hello":
                return not self._is_known(_counter_of(control))
            case "rig":
                return not (self._begun or control.position > 0)
            case "mark":
                return control.data.get("action") in (marks.HOLD_ON, marks.HOLD_OFF)
        return control.origin == "setup"

    def _is_known(self, counter: Counter) -> bool:
        """Tell whether a counter is the one that everything goes by already."""
        clock = self.rig.clock
        return counter == self._counters[-1][1] == (clock.frequency_hz, clock.counter_bits)

    def _process(self, events: Events, controls: Sequence[Control] = ()) -> None:
        self._begun = self._begun or len(events) > 0
        if len(events) or controls:
            self._add(self._processor.feed(events, controls))

    def _tell_processor(self, control: Control) -> None:
        self._process(NO_EVENTS, (replace(control, position=0),))

    def _add(self, shots: Shots) -> None:
        if len(shots):
            self.log.add(shots, self._setup_of(shots))
            self.revision += 1

    def _take_control(self, control: Control) -> None:
        try:
            self._take_record(control)
        except ChronoError:
            raise
        except ValueError as problem:
            self.unread_records += 1
            if len(self.unread_reasons) < SAMPLE_LIMIT:
                what = f"{control.origin} at {control.host_us * 1e-6:.3f} s"
                self.unread_reasons.append(f"{what}: {str(problem)[:120]}")

    def _take_record(self, control: Control) -> None:
        match control.origin:
            case "hello":
                if not self._is_known(_counter_of(control)):
                    self._tell_processor(control)
                    self._take_counter(_counter_of(control))
            case "setup":
                self._take_setup(control)
            case "mark":
                self._take_mark(marks.read_mark(control.data))
            case "rig":
                self._take_rig(control)
            case "file":
                self.started = str(control.data.get("start", ""))[:64]

    def _take_counter(self, counter: Counter) -> None:
        clock = self.rig.clock
        if counter != (clock.frequency_hz, clock.counter_bits):
            self._counters.append((len(self.log), None))
        start = self._counters[-1][0]
        self._counters[-1] = start, counter
        self._use(self.rig)

    def _take_setup(self, control: Control) -> None:
        setup = marks.read_setup(control.data)
        if len(self._setups) > SETUP_LIMIT:
            raise RecordingError(
                f"more than {SETUP_LIMIT} setups in one session",
                hint="check that this is a recording of real clocking",
            )
        self._setup_anchors.append(max(self._processor.anchor(), self._setup_anchors[-1]))
        self._setups.append(setup)
        self._tell_body_length(control.host_us)

    def _take_mark(self, mark: Mark) -> None:
        self._rows_kept = []
        if mark.action in (marks.HOLD_ON, marks.HOLD_OFF):
            self.hold = mark.action == marks.HOLD_ON
            if not self._hold_states or self._hold_states[-1] != self.hold:
                last = self._hold_anchors[-1] if self._hold_anchors else _BEFORE_ALL
                self._hold_anchors.append(max(self._processor.anchor(), last))
                self._hold_states.append(self.hold)
        elif mark.shot is None:
            self.session_notes.append(mark.text)
            del self.session_notes[:-SETUP_LIMIT]
        elif len(self._marks) < MARK_LIMIT or mark.shot in self._marks:
            self._mark_shot(mark, mark.shot)
        else:
            raise ValueError(f"marks on more than {MARK_LIMIT} shots")

    def _mark_shot(self, mark: Mark, key: int) -> None:
        counted, reason, note = self._marks.get(key, (None, "", ""))
        if mark.action == marks.SET_ASIDE:
            counted, reason = False, mark.text
        elif mark.action == marks.COUNT_AGAIN:
            counted, reason = True, ""
        else:
            note = mark.text
        self._marks[key] = (counted, reason, note)

    def _take_rig(self, control: Control) -> None:
        if self._fixed_rig:
            return
        self.last_rig = rig_from_record(control.data)
        if self._splits(control):
            self._begin(self.last_rig)
        elif not self.needs_second_pass:
            self.remeasure(self.last_rig)

    def _begin(self, rig: Rig) -> None:
        self._use(rig)
        self._rules = Rules.from_rig(rig)
        self._processor = Processor(self._rules)
        self._tell_body_length(0)

    def _tell_body_length(self, host_us: int) -> None:
        length_m = self.setup.body.get("length_m", self.rig.body.length_m)
        self._tell_processor(Control(0, host_us, "setup", {"body_length_m": length_m}))

    def _use(self, rig: Rig) -> None:
        """Measure with `rig` from here on, its counter's frequency as the board said it."""
        self.rig = rig = _with_counter(rig, self._counters[-1][1])
        self._rows_kept = []
        self._model = _speed_model(_with_rate(rig, self.host_rate))

    def _keep_samples(self, samples: Sequence[Sample]) -> None:
        room = max(SAMPLE_LIMIT - len(self.damaged_lines), 0)
        for sample in samples[:room]:
            row = self.rows + sample.row + 1
            self.damaged_lines.append(DamagedLine(row, sample.text, sample.reason))

    # -- what is known -----------------------------------------------------------------

    @property
    def heard(self) -> bool:
        """Whether a board said anything sound."""
        tally = self._processor.tally
        return (
            self._counters[-1][1] is not None or tally.edges + tally.beats + len(self.log) > 0
        )

    @property
    def model(self) -> SpeedModel:
        """The model that gives speeds now."""
        return self._model

    @property
    def processor(self) -> Processor:
        """The processor, for its tally and levels."""
        return self._processor

    @property
    def setup(self) -> Setup:
        """The setup that holds now."""
        return self._setups[-1]

    @property
    def setup_names(self) -> tuple[str, ...]:
        """Names of the setups, each once, in order of first use."""
        return tuple(dict.fromkeys(s.name for s in self._setups))

    def setup_name(self, index: int) -> str:
        """Return the name of the setup that `ShotLog.setup` numbers."""
        return self._setups[index].name

    def setup_conditions(self, name: str) -> dict[str, str]:
        """Return the conditions stated last under the setup name `name`."""
        return self._last_setup(name).conditions

    def setup_body(self, name: str) -> dict[str, float]:
        """Return what was stated last of the body under the setup name `name`, in SI."""
        return self._last_setup(name).body

    def _last_setup(self, name: str) -> Setup:
        return next((s for s in reversed(self._setups) if s.name == name), Setup())

    def measured(self, part: slice = slice(None)) -> Measured:
        """Measure shots of the log by what is known of the rig now."""
        return join_measured([measured for _, measured in self._pieces(part)])

    def _pieces(self, part: slice) -> Iterator[tuple[slice, Measured]]:
        """Yield slices of the log that make up `part`, bounded in size, and measure them."""
        start, stop, _ = part.indices(len(self.log))
        ends = [*(begin for begin, _ in self._counters[1:]), len(self.log)]
        for stretch, end in zip(self._counters, ends, strict=True):
            begin, counter = stretch
            if max(begin, start) >= min(end, stop):
                continue
            model = self._model
            if stretch is not self._counters[-1]:  # a rate that beats gave is the last one's
                model = _speed_model(_with_counter(self.rig, counter))
            for piece in self.log.chunks(max(begin, start), min(end, stop)):
                yield piece, measure(self.log.shots[piece], model)

    def counted(self, part: slice = slice(None)) -> npt.NDArray[np.bool_]:
        """Tell which shots of the log enter the statistics, shape (N,)."""
        shots = self.log.shots
        parts = [
            self.are_counted(shots[at], found.speed_mps) for at, found in self._pieces(part)
        ]
        return np.concatenate([np.zeros(0, np.bool_), *parts])

    def are_counted(
        self, shots: Shots, speed_mps: npt.NDArray[np.float64]
    ) -> npt.NDArray[np.bool_]:
        """Tell which of these shots, with these speeds, enter the statistics, shape (N,)."""
        counted = countable(shots, speed_mps) & ~self._held(shots["key"])
        for i in self._marked(shots["key"]):
            said = self._marks[int(shots["key"][i])][0]
            if said is not None:
                counted[i] = said and bool(np.isfinite(speed_mps[i]))
        return counted

    def notes(self, part: slice = slice(None)) -> list[str]:
        """Return what is noted of each shot: the reason it was set aside, the user's note."""
        return self._notes(self.log.shots[part])

    def _notes(self, shots: Shots) -> list[str]:
        held = self._held(shots["key"])
        words = [""] * len(shots)
        for i in np.flatnonzero(held):
            words[i] = "on hold"
        for i in self._marked(shots["key"]):
            words[i] = self._note(int(shots["key"][i]), bool(held[i]))
        return words

    def series(self, setup: str | None = None) -> Series | None:
        """Return the statistics of the counted shots, of one setup or of all."""
        wanted = np.array([setup in (None, each.name) for each in self._setups])
        places = wanted[self.log.setup].nonzero()[0]
        if not len(places):
            return None
        columns, count = np.empty((4, len(places))), 0
        for part, found in self._pieces(slice(places[0], places[-1] + 1)):
            chosen = self.are_counted(self.log.shots[part], found.speed_mps)
            chosen &= wanted[self.log.setup[part]]
            end = count + int(np.count_nonzero(chosen))
            for name, column in zip(_SERIES_COLUMNS, columns, strict=True):
                column[count:end] = getattr(found, name)[chosen]
            count = end
        if not count:
            return None
        series = series_statistics(*columns[:3, :count])
        if series is not None and series.n == 1:
            # A mean of one shot is that shot: the same ± must stand at both.
            own = float(columns[3, 0])
            return replace(series, U95_mean_mps=own)
        return series

    def rows_of(self, part: slice) -> Iterator[ShotRow]:
        """Yield shots of the log as people see them."""
        shots, setups = self.log.shots[part], self.log.setup[part]
        first = part.start + 1
        return self._shot_rows(shots, self.measured(part), setups, first, still_open=False)

    def open_rows(self) -> list[ShotRow]:
        """Return the shots that are there but may still change."""
        shots = self._processor.peek()
        if not len(shots):
            return []
        setups, measured = self._setup_of(shots), measure(shots, self._model)
        first = len(self.log) + 1
        return list(self._shot_rows(shots, measured, setups, first, still_open=True))

    def _shot_rows(
        self,
        shots: Shots,
        measured: Measured,
        setups: npt.NDArray[np.int32],
        first: int,
        *,
        still_open: bool,
    ) -> Iterator[ShotRow]:
        counted, notes = self.are_counted(shots, measured.speed_mps), self._notes(shots)
        for i, shot in enumerate(shots):
            values = {name: float(column[i]) for name, column in vars(measured).items()}
            name = self._setups[setups[i]].name
            yield shot_row(
                first + i, shot, values, name, bool(counted[i]), notes[i], still_open
            )

    def view(self, limit: int = 300) -> SessionView:
        """Return what a screen shows now, with at most `limit` of the last shots."""
        rows = (*self._last_rows(limit), *self.open_rows())
        # A body still between the gates is no shot to look at yet.
        latest = next((r for r in reversed(rows) if not r.open or isfinite(r.speed_mps)), None)
        return SessionView(
            rows=rows[-limit:],
            shots=len(self.log) + sum(row.open for row in rows),
            setup=self.setup,
            series=self.series(self.setup.name),
            latest=latest,
            budget=self.budget_of(latest) if latest else None,
        )

    def _last_rows(self, limit: int) -> list[ShotRow]:
        """Return the last closed shots; those put together before are used again."""
        start = max(len(self.log) - limit, 0)
        kept = [row for row in self._rows_kept if row.number > start]
        if kept and kept[0].number > start + 1:
            kept = []
        kept += self.rows_of(slice(start + len(kept), len(self.log)))
        self._rows_kept = kept
        return kept

    def budget_of(self, row: ShotRow) -> Budget | None:
        """Return the error budget of a shot, None if it has no speed."""
        if not np.isfinite(row.speed_mps):
            return None
        return shot_budget(
            self._model, row.transit_us * 1e-6, EdgesUsed[row.edges_used.upper()]
        )

    def _marked(self, keys: npt.NDArray[np.int64]) -> npt.NDArray[np.intp]:
        if not self._marks:
            return np.zeros(0, np.intp)
        return np.flatnonzero(np.isin(keys, np.fromiter(self._marks, np.int64)))

    def _held(self, keys: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
        if not self._hold_anchors:
            return np.zeros(len(keys), np.bool_)
        place = np.searchsorted(np.array(self._hold_anchors), keys, side="left")
        return np.array([False, *self._hold_states])[place]

    def _setup_of(self, shots: Shots) -> npt.NDArray[np.int32]:
        place = np.searchsorted(np.array(self._setup_anchors), shots["key"], side="left") - 1
        return np.maximum(place, 0).astype(np.int32)

    def _note(self, key: int, held: bool) -> str:
        counted, reason, note = self._marks.get(key, (None, "", ""))
        aside = "on hold" if held and counted is None else ""
        if counted is False:
            aside = f"set aside: {reason}" if reason else "set aside"
        return "; ".join(word for word in (aside, note) if word)


@lru_cache(maxsize=8)
def _speed_model(rig: Rig) -> SpeedModel:
    """Make a rig's model once: its coverage takes a tenth of a second to work out."""
    return SpeedModel.from_rig(rig)


def _with_counter(rig: Rig, counter: Counter | None) -> Rig:
    return with_frequency(rig, *counter) if counter and rig.lines == "framed" else rig


def _with_rate(rig: Rig, rate: ClockEstimate | None) -> Rig:
    if rate is None:
        return rig
    return with_clock_rate(rig, rate.rate_error, rate.u, rate.uncertainty.dof)


_SERIES_COLUMNS = ("speed_mps", "u_random_mps", "u_shared_mps", "U95_mps")
_BEFORE_ALL = int(np.iinfo(np.int64).min)


def _counter_of(hello: Control) -> Counter:
    return hello.data["frequency_hz"], hello.data["counter_bits"]
