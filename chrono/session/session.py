"""Form shots from the rows of a session, and store the data of each shot.

A live port, a replay and a file reader all call `Session.feed` with decoded rows: the lines of
the board and the entries of the operator. A session does not use files, ports or screens.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from chrono.arrays.events import Batch, Events, Record
from chrono.clock.clock_rate import ClockEstimate
from chrono.errors import ChronoError
from chrono.measuring.error_budget import Budget, Contribution
from chrono.measuring.series_statistics import Sample, Series, series_of
from chrono.measuring.speed import Measured, SpeedModel, join_measured, shot_budget
from chrono.processor.pipeline import Processor
from chrono.processor.rig_rules import Rules
from chrono.processor.shot_records import EdgesUsed, Shots
from chrono.rigs.rig_file import rig_from_record
from chrono.rigs.rig_model import Rig
from chrono.session.annotations import Annotations, Marks, Setups
from chrono.session.operator_records import UNDO, Setup
from chrono.session.rejected_input import RejectedInput
from chrono.session.shot_log import (
    SAMPLE_COLUMNS,
    Pieces,
    ShotLog,
    ShotRow,
    countable,
    shot_row,
)
from chrono.session.speed_models import (
    NO_ASSUMPTIONS,
    Assumptions,
    BoardCounters,
    Counter,
    SpeedModels,
    counter_problem,
)
from chrono.session.troubles import LampSeen, lamps_seen


class Session:
    """
    One session: a series of shots with one rig.

    Parameters
    ----------
    rig : Rig
        The rig to measure with. A `rig` record before the first event replaces this rig.
    capacity : int, optional
        Number of shots to reserve memory for.
    fixed_rig : bool, optional
        Keep `rig`, even if the records contain another rig.
    as_if : Assumptions, optional
        Measure the shots as if these assumptions were true.
    known : Session, optional
        An earlier session of the same recording. All its entries are then valid from the
        start, including late entries about early shots.
    processor : callable, optional
        Function that makes the processor, which forms shots from events.
    """

    def __init__(
        self,
        rig: Rig,
        *,
        capacity: int = 0,
        fixed_rig: bool = False,
        as_if: Assumptions = NO_ASSUMPTIONS,
        known: "Session | None" = None,
        processor: Callable[[Rules], Processor] = Processor,
    ) -> None:
        self.rig = rig
        self.last_rig = rig
        """The rig of the last `rig` record; before the first record, the given rig."""
        self.log = ShotLog(capacity)
        self.annotations: Annotations = known.annotations if known else Annotations()
        self.counters = BoardCounters()
        self.unusable: RejectedInput = RejectedInput(known.unusable if known else None)
        self.host_rate: ClockEstimate | None = None
        """The counter's rate by the computer's clock; None if this rate is not used."""
        self.started = ""
        """Start time of the session, in ISO 8601; empty if the recording does not state it."""
        self.rows = 0
        self.revision = 0
        """A number that grows with every change that a screen could show."""
        self.last_us = 0
        """Time of the last row, on the computer's clock [us]."""
        self._rate_place = 0
        self._measured_anew = 0
        self._fixed_rig = fixed_rig
        self._make_processor = processor
        self._as_if = as_if
        self._models = SpeedModels(self.counters, self.annotations, as_if)
        self._is_told_before = known is not None
        self._lengths_m: dict[int, set[float | None]] = {}
        self._begun = False
        self._deaf = False  # True while the board's counter cannot be used
        self._begin(rig)

    # -- what comes in -----------------------------------------------------------------

    def feed(self, batch: Batch) -> None:
        """
        Process one batch of rows.

        Raises
        ------
        RecordingError
            If there are too many setups for a real session.
        """
        done, between = 0, list[Record]()
        for record in batch.controls:
            if self._begins_anew(record):
                self._process(batch.events.part(done, record.position), between)
                self._take(record, self._processor.anchor())
                done, between = record.position, []
            elif done:
                between.append(replace(record, position=record.position - done))
            else:
                between.append(record)
        self._process(batch.events.part(done, len(batch.events)), between)
        self.unusable.take_lines(batch.damaged, batch.samples, self.rows)
        self.rows += batch.rows
        self._note_time(batch)
        if batch.rows:
            self.revision += 1

    def _note_time(self, batch: Batch) -> None:
        last = [record.host_us for record in batch.controls[-1:]]
        last += batch.events.host_us[-1:].tolist()
        self.last_us = max(self.last_us, *last, 0)

    def take_told(self) -> None:
        """
        Accept new entries of the operator from now on.

        If the session `known` was given, entries before this call are not added again.
        """
        self._is_told_before = False

    def pass_time(self, host_us: int) -> None:
        """Finish open shots if no line came for long enough before the time `host_us`."""
        self._add(self._processor.pass_time(host_us))

    def finish(self) -> None:
        """Finish all open shots, because no more data will come."""
        self._add(self._processor.finish())

    @property
    def needs_second_pass(self) -> bool:
        """True if the last rig of the recording has other rules for forming shots."""
        return self._as_if.rules(Rules.from_rig(self.last_rig)) != self._rules

    @property
    def lengths_corrected(self) -> bool:
        """True if shots were formed with a body length that the operator corrected later."""
        setups = self.setups.all()
        return any(
            told_m != {self._body_length_m(setups[place])}
            for place, told_m in self._lengths_m.items()
        )

    def remeasure(self, rig: Rig) -> None:
        """Compute all speeds again with `rig`; the shots stay the same."""
        self._use(rig)
        self.revision += 1

    def use_host_rate(self, found: ClockEstimate | None, place: int | None = None) -> None:
        """
        Compute the speeds of one counter's shots with this rate.

        Parameters
        ----------
        found : ClockEstimate or None
            The rate of the counter; None means the rate in the rig.
        place : int, optional
            The place of this counter in the list of counters; default: the present counter.
        """
        place = self.counters.place if place is None else place
        if (found, place) != (self.host_rate, self._rate_place):
            self.host_rate, self._rate_place = found, place
            self.remeasure(self.rig)

    def _begins_anew(self, record: Record) -> bool:
        """Return True if a record may change how the events after this record are used."""
        if record.origin == "hello":
            return self._deaf or self._processor.is_new_counter(*_counter_of(record))
        return record.origin == "rig" and not (self._begun or record.position > 0)

    def _process(self, events: Events, between: Sequence[Record]) -> None:
        """Process all records and the events between the records, and only then form shots."""
        if not len(events) and not between:
            return
        self._begun = self._begun or len(events) > 0
        if self._deaf:
            anchors = [self._processor.anchor()] * len(between)
        else:
            anchors = self._processor.place(events, between)
        for record, anchor in zip(between, anchors, strict=True):
            self._take(record, anchor)
        if not self._deaf:
            self._add(self._processor.form())

    def _add(self, shots: Shots, rules: Rules | None = None) -> None:
        if len(shots):
            rules = rules or self._processor.rules
            unit_s = 0.0 if rules.lines.is_interval else rules.unit_s
            setup = self.setups.at(shots["key"])
            self.log.add(self._as_if.shots(shots), setup, unit_s, rules.windows.dead)
            self.revision += 1

    def _take(self, record: Record, anchor: int) -> None:
        """Process a record (for example a setup) that follows the counter value `anchor`."""
        try:
            self._take_record(record, anchor)
        except ChronoError:
            raise
        except ValueError as problem:
            self.unusable.take_record(record, problem)

    def _take_record(self, record: Record, anchor: int) -> None:
        match record.origin:
            case "hello":
                self._take_hello(record)
            case "setup" | "mark":
                self._take_told(record, anchor)
            case "rig":
                self._take_rig(record)
            case "file":
                self.started = str(record.data.get("start", ""))[:64]

    def _take_told(self, record: Record, anchor: int) -> None:
        if not self._is_told_before:
            self.annotations.take(record, anchor)
        is_undo = record.data.get("action") == UNDO
        if record.origin == "setup" or is_undo:
            self._tell_body_length(anchor)

    def _take_hello(self, hello: Record) -> None:
        counter = _counter_of(hello)
        if self._deaf or self._processor.is_new_counter(*counter):
            self._change_counter(counter, hello)
        elif self.counters.now is None:
            self.counters.confirm(counter)

    def _change_counter(self, counter: Counter, hello: Record) -> None:
        before, problem = self._processor.rules, counter_problem(self.rig, counter)
        self._deaf = problem is not None
        if problem is None:
            self._add(self._processor.change_counter(*counter, hello.host_us), before)
            self.counters.change(counter, self._processor.anchor())
            self._use(self.rig)
            return
        self._add(self._processor.break_off(hello.host_us), before)
        if not len(self.log):
            raise problem
        self.unusable.take_board(hello, problem)

    def _take_rig(self, record: Record) -> None:
        if self._fixed_rig:
            return
        self.last_rig = rig_from_record(record.data)
        if not self._begun:
            self._begin(self.last_rig)
        elif not self.needs_second_pass:
            self.remeasure(self.last_rig)

    def _begin(self, rig: Rig) -> None:
        self._use(rig)
        self._rules = self._as_if.rules(Rules.from_rig(rig))
        self._processor = self._make_processor(self._rules)
        self._lengths_m = {}
        said = self.counters.now
        if said and self._processor.is_new_counter(*said):
            self._processor.change_counter(*said, 0)
        self._tell_body_length(self._processor.anchor())

    def _tell_body_length(self, anchor: int) -> None:
        place, setup = self.setups.after(anchor)
        length_m = self._body_length_m(setup)
        self._lengths_m.setdefault(place, set()).add(length_m)
        self._processor.change_body(length_m, anchor)

    def _body_length_m(self, setup: Setup) -> float:
        return setup.body.get("length_m", self.rig.body.length_m)

    def make_ready(self) -> None:
        """Do slow work in advance, so that the first shot is shown without a delay."""
        self._models.now.make_ready()

    def _use(self, rig: Rig) -> None:
        """Use `rig` from now on, but with the counter that the board reported."""
        self.rig = rig = self.counters.applied(rig)
        self._measured_anew += 1
        self._models.use(rig, self.host_rate, self._rate_place)

    # -- what is known -----------------------------------------------------------------

    @property
    def setups(self) -> Setups:
        """All setups that the operator entered."""
        return self.annotations.setups

    @property
    def marks(self) -> Marks:
        """All marks that the operator made."""
        return self.annotations.marks

    @property
    def setup_now(self) -> Setup:
        """The setup of the next shot."""
        return self.setups.after(self._processor.anchor())[1]

    @property
    def on_hold(self) -> bool:
        """True if the session is on hold, so that the next shot will not count."""
        return self.marks.held_after(self._processor.anchor())

    @property
    def measured_by(self) -> int:
        """A number that grows each time the values of earlier shots may have changed."""
        return self._measured_anew + self.annotations.corrections

    @property
    def heard(self) -> bool:
        """True if the board has sent at least one valid line."""
        tally = self._processor.tally
        return self.counters.now is not None or tally.edges + tally.beats + len(self.log) > 0

    @property
    def model(self) -> SpeedModel:
        """The model that the session now uses to compute speeds."""
        return self._models.now

    @property
    def lamps(self) -> list[LampSeen]:
        """The flicker of lamps that has tripped gate A or gate B."""
        return lamps_seen(self._processor.flicker)

    @property
    def processor(self) -> Processor:
        """The object that makes shots from edges, and counts the lines of the board."""
        return self._processor

    def measured(self, part: slice = slice(None)) -> Measured:
        """Compute the speeds of the shots in `part` with the present values of the rig."""
        return join_measured([measured for _, measured in self.pieces(part)])

    def pieces(self, part: slice) -> Iterator[tuple[slice, Measured]]:
        """Yield slices of the shots in `part`, each slice with its measured values."""
        start, stop, _ = part.indices(len(self.log))
        for chunk in self.log.chunks(start, stop):
            keys = self.log.shots["key"][chunk]
            for piece, counter in self.counters.stretches(keys, chunk.start):
                shots, setups = self.log.shots[piece], self.log.setup[piece]
                yield piece, self._models.measure(shots, setups, counter)

    def counted(self, part: slice = slice(None)) -> npt.NDArray[np.bool_]:
        """Return True for each shot that counts in the statistics, shape (N,)."""
        shots = self.log.shots
        parts = [
            self.are_counted(shots[at], found.speed_mps) for at, found in self.pieces(part)
        ]
        return np.concatenate([np.zeros(0, np.bool_), *parts])

    def are_counted(
        self, shots: Shots, speed_mps: npt.NDArray[np.float64]
    ) -> npt.NDArray[np.bool_]:
        """Return True for each given shot that counts in the statistics, shape (N,)."""
        said = self.marks.at(shots["key"])
        return said.are_counted(countable(shots, speed_mps), np.isfinite(speed_mps))

    def notes(self, part: slice = slice(None)) -> list[str]:
        """Return one text per shot: the reason not to count the shot, and the user's note."""
        return self.marks.at(self.log.shots["key"][part]).words()

    def series(self, setup: str | None = None) -> Series | None:
        """Return the statistics of the counted shots of one setup or of all setups."""
        sample = self.sample(setup)
        return series_of(sample) if sample is not None else None

    def sample(
        self,
        setup: str | None = None,
        pieces: Pieces | None = None,
        first: int | None = None,
    ) -> Sample | None:
        """
        Return the counted shots of one setup or of all setups; None if there are no shots.

        Without a function `pieces`, which returns stored values, the shots are measured again.
        If `first` is given, only the first `first` shots of the session are used.
        """
        wanted = self.setups.named(setup)
        places = wanted[self.log.setup[:first]].nonzero()[0]
        if not len(places):
            return None
        columns, count = np.empty((4, len(places))), 0
        numbers = np.empty(len(places), np.int64)
        for part, found in (pieces or self.pieces)(slice(places[0], places[-1] + 1)):
            chosen = self.are_counted(self.log.shots[part], found.speed_mps)
            chosen &= wanted[self.log.setup[part]]
            end = count + int(np.count_nonzero(chosen))
            for name, column in zip(SAMPLE_COLUMNS, columns, strict=True):
                column[count:end] = getattr(found, name)[chosen]
            numbers[count:end] = chosen.nonzero()[0] + part.start + 1
            count = end
        if not count:
            return None
        numbers, (speed, random, shared, expanded) = numbers[:count], columns[:, :count]
        parts = self._shared_parts(numbers, speed)
        return Sample(numbers, speed, random, shared, expanded, parts, self._bodies_of(numbers))

    def _bodies_of(self, numbers: npt.NDArray[np.int64]) -> frozenset[tuple[float, float]]:
        """Return mass and diameter of each different body of the shots with these numbers."""
        in_rig = self.rig.body
        return frozenset(
            (
                setup.body.get("mass_kg", in_rig.mass_kg),
                setup.body.get("diameter_m", in_rig.diameter_m),
            )
            for setup in self.setups_at(self.log.setup[numbers - 1])
        )

    def setups_at(self, places: npt.NDArray[np.int32]) -> tuple[Setup, ...]:
        """Return the setups at these places in the list of setups, each once, in order."""
        setups = self.setups.all()
        return tuple(setups[place] for place in np.flatnonzero(np.bincount(places)).tolist())

    def _shared_parts(
        self, numbers: npt.NDArray[np.int64], speed_mps: npt.NDArray[np.float64]
    ) -> tuple[Contribution, ...]:
        """Return the shared error parts at the mean speed, for the edges of most shots."""
        shots = self.log.shots
        used = int(np.bincount(shots["used"][numbers - 1]).argmax())
        model = self._models.at(shots["key"][numbers[0] - 1])
        transit_s = model.board_transit(float(speed_mps.mean()), used)
        parts = model.contributions(transit_s, used)
        return tuple(part for part in parts if part.input.nature == "shared")

    def setups_with_shots(self, name: str | None) -> tuple[Setup, ...]:
        """
        Return the setups with this name that have shots, in the order of entry.

        None means any name. If no such setup has shots, the result is the last one that was
        entered.
        """
        chosen = self.setups.named(name)[self.log.setup]
        return self.setups_at(self.log.setup[chosen]) or (self.setups.last(name),)

    def shots_of(self, setup: str) -> int:
        """Return how many shots belong to a setup. Uncounted shots are included."""
        return int(np.count_nonzero(self.setups.named(setup)[self.log.setup]))

    def number_of(self, key: int) -> int:
        """Return the number of the shot with this key. The shot may be open or finished."""
        return int(np.searchsorted(self.log.shots["key"], key)) + 1

    def rows_of(self, part: slice) -> Iterator[ShotRow]:
        """Yield the shots in `part` as rows that the user can read."""
        shots, setups = self.log.shots[part], self.log.setup[part]
        times_us, first = self.log.time_us[part], part.start + 1
        return self._shot_rows(shots, self.measured(part), setups, times_us, first)

    def open_rows(self) -> list[ShotRow]:
        """Return the unfinished shots, which new edges may still change."""
        shots = self._as_if.shots(self._processor.peek())
        if not len(shots):
            return []
        setups = self.setups.at(shots["key"])
        measured = self._models.measure(shots, setups)
        times_us, first = shots["host_us"], len(self.log) + 1
        rows = self._shot_rows(shots, measured, setups, times_us, first, still_open=True)
        return list(rows)

    def _shot_rows(
        self,
        shots: Shots,
        measured: Measured,
        setups: npt.NDArray[np.int32],
        times_us: npt.NDArray[np.int64],
        first: int,
        *,
        still_open: bool = False,
    ) -> Iterator[ShotRow]:
        said = self.marks.at(shots["key"])
        speed_mps = measured.speed_mps
        counted = said.are_counted(countable(shots, speed_mps), np.isfinite(speed_mps))
        notes = said.words()
        for i, shot in enumerate(shots):
            values = {name: float(column[i]) for name, column in vars(measured).items()}
            values["time_s"] = int(times_us[i]) * 1e-6
            name = self.setups.name(setups[i])
            yield shot_row(
                first + i, shot, values, name, bool(counted[i]), notes[i], still_open
            )

    def budget_of(self, row: ShotRow) -> Budget | None:
        """Return the error budget of a shot; None if the shot has no speed."""
        if not np.isfinite(row.speed_mps):
            return None
        used = EdgesUsed[row.edges_used.upper()]
        model = self._models.at(row.key)
        return shot_budget(
            model, row.transit_us * 1e-6, used, row.bounce_us * 1e-6, row.skew_us * 1e-6
        )


def _counter_of(hello: Record) -> Counter:
    return hello.data["frequency_hz"], hello.data["counter_bits"]
