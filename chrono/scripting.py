"""The door for scripts and notebooks: recordings as data frames, boards as streams of shots.

What is read and measured here is what the commands read and measure; only the shape is that
of pandas. Numbers carry their unit in the column's name and in `attrs`.
"""

import os
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self, TypeVar, overload

import numpy as np
import numpy.typing as npt
import pandas as pd
from markupsafe import escape

from chrono.arrays.array_types import Floats
from chrono.errors import OptionError
from chrono.measuring.setup_comparison import compare_groups
from chrono.measuring.speed import SpeedModel
from chrono.measuring.speed import measure as measure_shots
from chrono.processor.edge_roles import EdgeRole
from chrono.processor.shot_records import ABSENT, SHOT_DTYPE, EdgesUsed, Shots
from chrono.reader.serial_ports import DEFAULT_BAUDRATE
from chrono.reports.comparison_text import comparison_data, comparison_text
from chrono.reports.export_table import TEXT_COLUMNS, shot_frame
from chrono.reports.findings_text import (
    Findings,
    clock_doubt,
    recording_findings,
    unread_line,
)
from chrono.reports.setup_words import count_text, setup_text
from chrono.reports.summary_text import summary_data, trouble_sentences
from chrono.rigs.rig_file import load_rig, rig_from_record, rig_from_table
from chrono.rigs.rig_model import Rig
from chrono.safe_text import plain
from chrono.session.edge_list import edges_of
from chrono.session.operator_records import NO_SETUP, Setup
from chrono.session.pooled_samples import (
    damaged_lines,
    groups_to_compare,
    recording_samples,
)
from chrono.session.recording_loader import LoadedRecording, read_all
from chrono.session.rejected_input import DamagedLine
from chrono.session.report_content import plotted_speeds
from chrono.session.session import Session
from chrono.session.session_summary import summary_of
from chrono.session.shot_log import ShotRow

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from chrono.session.live_run import LiveRun

PathLike = str | os.PathLike[str]
RigLike = Rig | PathLike | Mapping[str, Any]

_Frame = TypeVar("_Frame", bound=pd.DataFrame)

_UNITS = {
    "_mps": "m/s",
    "_s": "s",
    "_us": "us",
    "_m": "m",
    "_mm": "mm",
    "_kg": "kg",
    "_j": "J",
    "_Ns": "N s",
    "_per_shot": "m/s",
}
_EDGES = {used.name.lower(): used for used in (EdgesUsed.BOTH, EdgesUsed.LEAD, EdgesUsed.TRAIL)}
_TEXT = pd.StringDtype("python")
"""The same frames with pyarrow and without it."""
_SPEEDS = ("speed_mps", "u_mps", "U95_mps", "u_random_mps", "u_shared_mps")

_RENAMED = {"flags": "shot_flags"}
"""A column named like an attribute of a frame could not be had by a dot."""

_ROLES = {
    EdgeRole.LEADING: "leading edge",
    EdgeRole.TRAILING: "trailing edge",
    EdgeRole.BOUNCE: "bounce",
    EdgeRole.COMPANION: "companion",
    EdgeRole.FLICKER: "flicker",
    EdgeRole.PASSED_OVER: "passed over",
}

_STEP_S = 1e-15
"""Transits of scripts are counted in steps too small to matter beside any clock's."""
_LONGEST_S = 3600.0


class _ShotFrame(pd.DataFrame):
    """A frame of shots that still knows a renamed column by its old name in brackets."""

    @property
    def _constructor(self) -> type["_ShotFrame"]:
        return _ShotFrame

    def __getitem__(self, key: Any) -> Any:
        if isinstance(key, str) and key not in self.columns:
            key = _RENAMED.get(key, key)
        return super().__getitem__(key)


@dataclass(frozen=True)
class Damage:
    """
    What is wrong with a recording; false where nothing is, and in words as a text.

    Attributes
    ----------
    damaged_lines, lost_lines : int
        Lines that could not be used, and lines that never arrived.
    samples : tuple of DamagedLine
        The first damaged lines, each with `row`, `text` and `reason`.
    board_lost_edges : int
        Edges that the board had to drop.
    restarts : int
        How often the board restarted.
    unread_records : int
        Setups and marks that are not valid.
    left_out : str
        What could not be used at the end of the file.
    clock_doubt : str
        Why the host's clock, which the rig asks for, is not used.
    words : tuple of str
        The same as sentences.
    """

    damaged_lines: int = 0
    lost_lines: int = 0
    samples: tuple[DamagedLine, ...] = ()
    board_lost_edges: int = 0
    restarts: int = 0
    unread_records: int = 0
    left_out: str = ""
    clock_doubt: str = ""
    words: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        return any(vars(self).values())

    def __str__(self) -> str:
        return "; ".join(self.words)


@dataclass(frozen=True, eq=False, repr=False)
class Recording:
    """
    The shots of a recording, and what is known about them.

    Attributes
    ----------
    name : str
        The file's name, with its folders where another one read with it has the same.
    started : str
        Start of the session as the recording states it, ISO 8601, or empty.
    shots : pandas.DataFrame
        One row per shot, indexed by its number from 1: the columns of `chrono export`,
        with `flags` called `shot_flags`, because a frame has an attribute `flags`.
        `time_utc` is NaT where the recording does not state its start. Speeds [m/s] are
        NaN where nothing was measured. ``shots.attrs["units"]`` names the unit of each
        column that has one.
    rig : Rig
        What the shots were measured with, in SI units: ``rig.gates.spacing_m``.
    setups : dict of str to Setup
        The setups by name, each with `body` (overrides of the rig's) and `conditions`.
    damage : Damage
        What is wrong with the recording.
    """

    name: str
    started: str
    shots: pd.DataFrame
    rig: Rig
    setups: dict[str, Setup]
    damage: Damage
    _summary: pd.DataFrame = field(repr=False)
    _recorded: LoadedRecording = field(repr=False)

    @cached_property
    def edges(self) -> pd.DataFrame:
        """
        Every edge that the board sent, in the order of its lines.

        The file is read once more, when this is first asked for.

        Returns
        -------
        pandas.DataFrame
            One row per edge, indexed by its number from 1, with the columns

            - `gate`: A or B;
            - `level`: 1 blocked, 0 clear, NA where the line does not say;
            - `counter`: as the board sent it [counter units];
            - `board_s`: time by the counter without its wraps [s]. Only differences count:
              that of two leading edges is a transit;
            - `time_s`: when the line was read, since the session's start [s];
            - `late`: whether the line says that its counter was read late;
            - `shot`: the number of the shot, NA where the edge belongs to none;
            - `taken_for`: "leading edge" or "trailing edge" of the shot's body; "bounce"
              between these two; "companion", of another body of the same launch; "flicker"
              of a lamp; "passed over", at a gate that stayed blocked.

            It is empty if the board sends intervals instead of edges.

        Raises
        ------
        RecordingError
            If the file cannot be read any more.

        Examples
        --------
        >>> import chrono
        >>> monday = chrono.read("monday.tsv")
        >>> monday.edges.loc[1:4, ["gate", "level", "counter", "shot", "taken_for"]]
             gate  level   counter  shot      taken_for
        edge
        1       A      1  21541083     1   leading edge
        2       A      0  21570426     1  trailing edge
        3       B      1  21761957     1   leading edge
        4       B      0  21791276     1  trailing edge
        """
        found = edges_of(self._recorded)
        table = pd.DataFrame(
            {
                "gate": pd.Series(np.array(["A", "B"], object)[found.gate], dtype=_TEXT),
                "level": pd.Series(found.level, dtype="Int8").mask(found.level > 1),
                "counter": found.counter,
                "board_s": found.board_s,
                "time_s": found.host_us * 1e-6,
                "late": found.late,
                "shot": pd.Series(found.shot, dtype="Int64").mask(found.shot == 0),
                "taken_for": pd.Series(_role_words()[found.role], dtype=_TEXT),
            }
        )
        table.index = pd.RangeIndex(1, len(table) + 1, name="edge")
        return _with_units(table)

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """
        Draw the speeds of the shots in order, with their intervals and the setups' means.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; without it a new figure is made.

        Returns
        -------
        matplotlib.axes.Axes
            With the drawing.

        Raises
        ------
        OptionError
            If no shot has a speed, or matplotlib is missing.

        Examples
        --------
        >>> import chrono
        >>> axes = chrono.read("monday.tsv").plot()
        >>> axes.get_xlabel(), axes.get_ylabel()
        ('number of the shot', 'speed / (m/s)')
        """
        from chrono.reports.speed_picture import draw_speeds, need_matplotlib, refuse_empty

        plotted = plotted_speeds(self._recorded)
        refuse_empty(plotted)
        need_matplotlib()
        if ax is None:
            from matplotlib import pyplot

            _, ax = pyplot.subplots(layout="constrained")
        draw_speeds(ax, plotted)
        return ax

    def summary(self) -> pd.DataFrame:
        """
        Return the statistics of the counted shots, one row per setup.

        Returns
        -------
        pandas.DataFrame
            Indexed by `setup`, with the numbers that `chrono summary --json` gives: `counted`,
            `mean_mps`, `U95_mean_mps` [m/s] and more; NaN where undefined.
        """
        return self._summary.copy()

    def __repr__(self) -> str:
        counted = int(self.shots["counted"].sum())
        trouble = f"; {self.damage}" if self.damage else ""
        shots = count_text(len(self.shots), "shot")
        return f"<Recording {self.name}: {shots}, {counted} counted{trouble}>"

    def _repr_html_(self) -> str:
        """
        Return what a notebook shows: name, shots, damage, and the setups' statistics.

        Examples
        --------
        >>> import chrono
        >>> chrono.read("monday.tsv")._repr_html_().split("<table")[0]
        '<p><strong>monday.tsv</strong>: 40 shots, 40 counted</p>'
        """
        counted = int(self.shots["counted"].sum())
        head = f"{count_text(len(self.shots), 'shot')}, {counted} counted"
        damage = f"<p>{escape(plain(str(self.damage)))}</p>" if self.damage else ""
        return f"<p><strong>{escape(plain(self.name))}</strong>: {head}</p>{damage}" + (
            _html_table(self._summary)
        )


class Recordings(tuple[Recording, ...]):
    """Several recordings, in the order in which they were named."""

    @property
    def shots(self) -> pd.DataFrame:
        """All shots in one data frame; `recording` tells whose, numbers begin anew in each."""
        return _with_units(pd.concat([each.shots for each in self]))

    def summary(self) -> pd.DataFrame:
        """Return the statistics of each recording's setups, one below the other."""
        tables = [each.summary() for each in self]
        for table, each in zip(tables, self, strict=True):
            table.insert(0, "recording", each.name)
        return _with_units(pd.concat(tables))

    def _repr_html_(self) -> str:
        """Return what a notebook shows: each recording in turn."""
        return "".join(each._repr_html_() for each in self)


@overload
def read(  # type: ignore[overload-overlap]  # a text is an iterable of texts, too
    recording: PathLike, *, rig: RigLike | None = None, clock_from_host: bool = False
) -> Recording: ...


@overload
def read(
    recording: Iterable[PathLike], *, rig: RigLike | None = None, clock_from_host: bool = False
) -> Recordings: ...


def read(
    recording: PathLike | Iterable[PathLike],
    *,
    rig: RigLike | None = None,
    clock_from_host: bool = False,
) -> Recording | Recordings:
    """
    Form and measure the shots of recordings.

    Parameters
    ----------
    recording : str, path, or iterable of them
        The recording; several give one data frame with all their shots.
    rig : Rig, str, path or dict, optional
        Measure with this rig instead of the last one in the recording; see `rig`.
    clock_from_host : bool, optional
        Take the counter's rate from its beats, whatever the rig says.

    Returns
    -------
    Recording or Recordings
        `Recordings` when several were named, a list with one of them included.

    Raises
    ------
    ChronoError
        If a file is not a recording, or contains no rig and none is given.

    Warns
    -----
    UserWarning
        If something is wrong with the data: what, in which file.

    Examples
    --------
    >>> import chrono
    >>> monday = chrono.read("monday.tsv")
    >>> monday
    <Recording monday.tsv: 40 shots, 40 counted>
    >>> monday.shots.loc[1, ["setup", "speed_mps", "U95_mps", "counted"]].to_dict()
    {'setup': 'two bands', 'speed_mps': 21.737987, 'U95_mps': 0.044383, 'counted': True}
    >>> monday.summary()["mean_mps"].round(2).to_dict()
    {'two bands': 22.2, 'three bands': 27.08}
    """
    one = isinstance(recording, str | os.PathLike)
    paths = [recording] if isinstance(recording, str | os.PathLike) else list(recording)
    found = Recordings(map(_recording, _loaded(paths, rig, clock_from_host)))
    return found[0] if one else found


def _loaded(
    paths: Sequence[PathLike], rig: RigLike | None, clock_from_host: bool
) -> list[LoadedRecording]:
    """Read recordings; warn the script of what is wrong with them."""
    if not paths:
        raise OptionError("no recording is named", hint="name one: a pattern may match none")
    other = None if rig is None else _rig(rig)
    loaded = list(read_all([Path(p) for p in paths], other, clock_from_host))
    for line in (line for each in loaded for line in recording_findings(each)):
        warnings.warn(line, stacklevel=3)
    return loaded


@dataclass(frozen=True, eq=False, repr=False)
class ComparedSetups:
    """
    Setups compared with each other.

    Attributes
    ----------
    pairs : pandas.DataFrame
        One row per pair of setups: `first_setup` and `second_setup`; `difference_mps`, how
        much faster the second one is [m/s], with its 95 % interval `U95_mps`; `verdict`,
        `settled` and `faster`; `repeatability` and `s_ratio`; and the other numbers that
        `chrono compare --json` gives, those of the difference without a drift behind
        `without_drift_`. NaN or None where undefined.
    setups : pandas.DataFrame
        The statistics of each setup, indexed by its name.
    headline : tuple of str
        The answer in a sentence, and at most two reasons to doubt it.
    text : str
        All sentences and figures, as `chrono compare` prints them.
    """

    pairs: pd.DataFrame
    setups: pd.DataFrame
    headline: tuple[str, ...]
    text: str

    def __str__(self) -> str:
        return self.text

    def __repr__(self) -> str:
        return f"<ComparedSetups: {' '.join(self.headline) or 'nothing to compare'}>"

    def _repr_html_(self) -> str:
        """Return what a notebook shows: the headline, the setups and the pairs."""
        said = "".join(f"<p>{escape(line)}</p>" for line in self.headline)
        pairs = self.pairs[[name for name in _SHOWN_OF_PAIRS if name in self.pairs]]
        return said + _html_table(self.setups) + pairs.to_html(index=False, na_rep="")


def compare(
    recording: PathLike | Recording | Iterable[PathLike | Recording],
    *,
    rig: RigLike | None = None,
    clock_from_host: bool = False,
    pool: bool = False,
    one_rig: bool | None = None,
) -> ComparedSetups:
    """
    Compare the setups of recordings: which is faster, by how much, how sure that is.

    Parameters
    ----------
    recording : str, path, Recording, or iterable of them
        One recording, or several that are compared with each other.
    rig : Rig, str, path or dict, optional
        Measure with this rig; see `read`. Not for what was read already.
    clock_from_host : bool, optional
        See `read`. Not for what was read already.
    pool : bool, optional
        Put the shots of all recordings with one setup together.
    one_rig : bool, optional
        Whether one rig made all recordings, or each has another. Without it the identity in
        the rigs decides, then their description.

    Returns
    -------
    ComparedSetups

    Raises
    ------
    ChronoError
        If a file is no recording, or there are too many setups to compare each with each.

    Examples
    --------
    >>> import chrono
    >>> found = chrono.compare("monday.tsv")
    >>> print(found.headline[0])
    three bands is faster than two bands by 4.9 ± 0.4 m/s (95 %).
    >>> found.pairs.loc[0, ["second_setup", "settled"]].to_dict()
    {'second_setup': 'three bands', 'settled': True}
    >>> float(found.pairs.difference_mps[0].round(2))
    4.91
    """
    given: list[PathLike | Recording]
    if isinstance(recording, str | os.PathLike | Recording):
        given = [recording]
    else:
        given = list(recording)
    loaded = [each._recorded for each in given if isinstance(each, Recording)]
    paths = [each for each in given if not isinstance(each, Recording)]
    if loaded and (paths or rig is not None or clock_from_host):
        raise OptionError(
            "a recording that was read already has its rig",
            where="compare",
            hint="give only names of files, or only what `read` returned and no rig",
        )
    loaded = loaded or _loaded(paths, rig, clock_from_host)
    return _compared(loaded, pool, one_rig)


def _compared(
    loaded: Sequence[LoadedRecording], pool: bool, one_rig: bool | None
) -> ComparedSetups:
    samples = [recording_samples(each) for each in loaded]
    groups, taken = groups_to_compare(samples, one_rig, pool=pool)
    found, damaged = compare_groups(groups), damaged_lines(samples)
    unit = samples[0].rig.speed_unit
    data = comparison_data(found, unit, taken, damaged)
    pairs = pd.DataFrame([_flat_pair(pair) for pair in data["pairs"]])
    names = pd.Index([each["setup"] for each in data["setups"]], dtype=_TEXT, name="setup")
    numbers = [
        {k: v for k, v in each.items() if k not in {"setup", "suspicious_shots"}}
        for each in data["setups"]
    ]
    return ComparedSetups(
        pairs=_with_units(pairs),
        setups=_with_units(pd.DataFrame(numbers, index=names)),
        headline=tuple(data["headline"]),
        text=comparison_text(found, unit, taken, damaged),
    )


_SHOWN_OF_PAIRS = (
    "first_setup",
    "second_setup",
    "difference_mps",
    "U95_mps",
    "verdict",
    "repeatability",
)


_OBJECTS = ("difference", "without_drift", "without_suspicious")


def _flat_pair(pair: dict[str, Any]) -> dict[str, Any]:
    """Return a pair as one row: what stands below it in JSON, beside it."""
    told = {f"{place}_setup": pair[place] for place in ("first", "second")}
    told |= pair["difference"] or {}
    plain_ones = {k: v for k, v in pair.items() if not isinstance(v, dict)}
    told |= {k: v for k, v in plain_ones.items() if k not in {"first", "second"}}
    for name in _OBJECTS[1:]:
        told |= {f"{name}_{k}": v for k, v in (pair[name] or {}).items()}
    return {k: v for k, v in told.items() if v is not None or k not in _OBJECTS}


class LiveShots:
    """
    The shots of a board as they come; made by `live`, used by ``with``.

    Each shot has `number`, `setup`, `speed_mps`, `U95_mps`, `counted`, `flags`, and so on: the
    numbers that `chrono clock --json` prints, unrounded, NaN where undefined.

    Attributes
    ----------
    port : str
    """

    def __init__(self, port: str, make: Callable[[], "LiveRun"], shots: int | None) -> None:
        self.port = port
        self._make, self._limit = make, shots
        self._run: LiveRun | None = None
        self._given = 0
        self._closed = False

    def __enter__(self) -> Self:
        """
        Open the port and begin the recording.

        Raises
        ------
        ChronoError
            If the port or the recording cannot be used, or this was opened before.
        """
        from chrono.cautions import CAUTION
        from chrono.commands.console_output import RunReporter, tell
        from chrono.session.run import turns

        if self._run is not None:
            raise OptionError("is used already", where="live", hint="call `live` once more")
        tell(CAUTION)
        self._run = self._make()
        self._run.start()
        self._run.session.make_ready()
        self._turns, self._reporter = turns(self._run), RunReporter()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close port and recording, whatever ended the work; warn of what went wrong."""
        from chrono.commands.stop_signals import noted_signals

        with noted_signals() as ending:
            self._close()
        if ending.asked and fault is None:
            raise KeyboardInterrupt

    def __iter__(self) -> Iterator[ShotRow]:
        """Yield the shots from the first one on that was not yielded yet."""
        return self

    def __next__(self) -> ShotRow:
        """
        Wait for a shot; it is in the recording before it is here.

        Raises
        ------
        PortError
            If no board speaks on the port.
        """
        from chrono.commands.stop_signals import noted_signals

        run = self._opened()
        with noted_signals() as ending:  # none of them cuts a turn off in its middle
            while not self._has_next(run):
                if self._is_over(run) or next(self._turns, self) is self:
                    break
                self._reporter.look(run)
                if ending.asked:
                    raise KeyboardInterrupt
        if not self._has_next(run):
            raise StopIteration
        place = self._given
        self._given += 1
        return next(run.session.rows_of(slice(place, place + 1)))

    @property
    def recording(self) -> Path:
        """The file that is being written, or was; `chrono.read` reads it."""
        writer = self._opened().writer
        assert writer is not None, "a live run of a script records"
        return writer.path

    def change_setup(self, name: str) -> None:
        """Let the shots from here on belong to a setup of this name."""
        self._opened().say_setup(Setup(name))

    def __repr__(self) -> str:
        state = "closed" if self._closed else "open" if self._run else "not opened"
        return f"<LiveShots {self.port}: {state}, {count_text(self._given, 'shot')} yielded>"

    def _opened(self) -> "LiveRun":
        if self._run is None:
            raise OptionError(
                "the board is not open",
                where="live",
                hint="write: with chrono.live(…) as shots:",
            )
        return self._run

    def _has_next(self, run: "LiveRun") -> bool:
        """Whether a shot is there to be yielded, and on the disk."""
        is_wanted = self._limit is None or self._given < self._limit
        on_disk = run.writer is not None and run.writer.trouble is None
        return is_wanted and on_disk and self._given < len(run.session.log)

    def _is_over(self, run: "LiveRun") -> bool:
        """Whether no shot comes any more, or as many as were wanted are there whole."""
        has_all = self._limit is not None and self._given >= self._limit
        return self._closed or (has_all and not run.in_a_shot)

    def _close(self) -> None:
        if self._run is None or self._closed:
            return
        self._closed = True
        findings = Findings()
        findings.take(self._run.close())
        for line in findings.lines:
            warnings.warn(line, stacklevel=3)


def live(
    port: str,
    rig: RigLike | None = None,
    *,
    recording: PathLike | None = None,
    setup: str = "",
    shots: int | None = None,
    baud: int = DEFAULT_BAUDRATE,
    clock_from_host: bool = False,
    spare: PathLike | None = None,
) -> LiveShots:
    """
    Clock a board: yield its shots as they come, and record everything it says.

    What happens is what `chrono clock` does. The cautions are on standard error: read them
    before you shoot. The loop ends after `shots` shots, by ``break``, by an exception or by
    Ctrl+C; the end of the ``with`` closes port and recording in each of these cases.

    Parameters
    ----------
    port : str
        Such as ``/dev/ttyUSB0`` or ``COM3``; ``virtual://two-bands`` is a virtual board.
    rig : Rig, str, path or dict, optional
        The gates; see `chrono.rig`. A virtual board brings its own.
    recording : str or path, optional
        New file to record to; without it ``session-DATE-TIME.tsv`` in this folder.
    setup : str, optional
        Name of the first setup.
    shots : int, optional
        End the recording after this many shots.
    baud : int, optional
        As the firmware was built.
    clock_from_host : bool, optional
        Take the counter's rate from its beats.
    spare : str or path, optional
        Folder where the recording goes on if its own place fails; without it the home folder.

    Returns
    -------
    LiveShots
        To be opened by ``with``, and then iterated.

    Raises
    ------
    RigError
        If something is wrong with the rig; all other errors come when it is opened.

    Warns
    -----
    UserWarning
        At the end, if something went wrong: what.

    Examples
    --------
    >>> import chrono
    >>> board = "virtual://two-bands?seed=1&speedup=100"
    >>> with chrono.live(board, recording="today.tsv", shots=3) as shots:
    ...     speeds = [round(shot.speed_mps, 2) for shot in shots]
    >>> speeds
    [22.4, 22.36, 22.64]
    >>> chrono.read(shots.recording)
    <Recording today.tsv: 3 shots, 3 counted>
    """
    given = None if rig is None else _rig(rig)

    def make() -> "LiveRun":
        from chrono.commands.console_output import default_recording
        from chrono.session.live_run import live_run

        return live_run(
            port,
            given,
            default_recording() if recording is None else Path(recording),
            setup=setup,
            baud=baud,
            clock_from_host=clock_from_host,
            spare=Path.home() if spare is None else Path(spare),
            shots=shots,
        )

    return LiveShots(port, make, shots)


def rig(description: RigLike) -> Rig:
    """
    Return the description of a rig, in SI units.

    Parameters
    ----------
    description : str, path or dict
        A rig file; or its keys as a dict, either as the file has them (texts with units) or
        as a recording has them (SI numbers, the unit in each name).

    Returns
    -------
    Rig
        With the sections `gates`, `clock`, `body`, `window`, `site` and `calibration`.

    Raises
    ------
    RigError
        With everything that is wrong with it.

    Examples
    --------
    >>> import chrono
    >>> chrono.rig({"gates": {"spacing": "300 mm"}}).gates.spacing_m
    0.3
    >>> chrono.rig({"gates": {"spacing_m": 0.3}}).gates.spacing_m
    0.3
    """
    if isinstance(description, Rig):
        return description
    if not isinstance(description, Mapping):
        return load_rig(Path(description))
    gates = description.get("gates")
    if isinstance(gates, Mapping) and "spacing_m" in gates:
        return rig_from_record(description, "rig")
    return rig_from_table(description, "rig")


_rig = rig  # `read` and `measure` have arguments of that name


def measure(transit_s: npt.ArrayLike, rig: RigLike, *, edges: str = "both") -> pd.DataFrame:
    """
    Turn transits into speeds with their uncertainties.

    Parameters
    ----------
    transit_s : array_like of float, shape (N,)
        Transits by the board's clock [s]; a Series keeps its index.
    rig : Rig, str, path or dict
        The gates; see `chrono.rig`. Its clock's tick and jitter are taken to be those with
        which the transits were timed.
    edges : {"both", "lead", "trail"}, optional
        Which edges gave the transits: the mean of both pairs, or one pair.

    Returns
    -------
    pandas.DataFrame
        One row per transit with `speed_mps`, `u_mps`, `U95_mps`, `u_random_mps` and
        `u_shared_mps` [m/s]; NaN where a transit is not above zero, or NaN.

    Raises
    ------
    OptionError
        If the transits are no numbers in one dimension, or longer than an hour.

    Examples
    --------
    >>> import chrono
    >>> gates = chrono.rig({"gates": {"spacing": "300 mm"}})
    >>> chrono.measure([0.010, 0.020], gates)["speed_mps"].round(3).tolist()
    [30.002, 15.001]
    """
    if edges not in _EDGES:
        raise OptionError(
            f"{edges!r} is no choice of edges", where="edges", hint="say both, lead or trail"
        )
    measured = measure_shots(_timed(_transits(transit_s), _EDGES[edges]), _model(_rig(rig)))
    table = pd.DataFrame(
        {name: getattr(measured, name) for name in _SPEEDS},
        index=transit_s.index if isinstance(transit_s, pd.Series) else None,
    )
    return _with_units(table)


def _transits(transit_s: npt.ArrayLike) -> Floats:
    try:
        values = np.asarray(transit_s, np.float64)
    except (TypeError, ValueError) as error:
        raise OptionError(
            "no array of numbers", where="transit_s", hint="give transits in seconds"
        ) from error
    if values.ndim != 1:
        raise OptionError(
            f"{values.ndim} dimensions", where="transit_s", hint="give a list of transits"
        )
    if (values > _LONGEST_S).any():
        raise OptionError(
            f"{values.max():g} s is longer than an hour",
            where="transit_s",
            hint="give transits in seconds",
        )
    return values


def _timed(transit_s: Floats, used: EdgesUsed) -> Shots:
    """Return shots that were timed so and know nothing else, in steps of `_STEP_S`."""
    sound = np.isfinite(transit_s) & (transit_s > 0)
    shots = np.zeros(len(transit_s), SHOT_DTYPE)
    steps = np.where(sound, transit_s, 0.0) / _STEP_S
    shots["lead"] = shots["trail"] = np.rint(steps).astype(np.int64)
    shots["used"] = np.where(sound, used, EdgesUsed.NONE)
    shots["block_a"] = shots["block_b"] = ABSENT
    shots["companion"] = np.nan
    return shots


@lru_cache(maxsize=8)
def _model(rig: Rig) -> SpeedModel:
    """Make the model of a rig once: its coverage takes a tenth of a second to work out."""
    return replace(SpeedModel.from_rig(rig), unit_s=_STEP_S)


def _recording(recorded: LoadedRecording) -> Recording:
    session = recorded.session
    data = summary_data(summary_of(recorded))
    return Recording(
        name=recorded.name,
        started=session.started,
        shots=_shots(recorded),
        rig=session.rig,
        setups=_setups(session),
        damage=_damage(recorded, data),
        _summary=_summary(data["setups"]),
        _recorded=recorded,
    )


def _shots(recorded: LoadedRecording) -> pd.DataFrame:
    table = shot_frame(recorded.session, recorded.name).set_index("shot")
    table = table.astype(dict.fromkeys(TEXT_COLUMNS, _TEXT)).rename(columns=_RENAMED)
    return _with_units(_ShotFrame(table))


def _role_words() -> npt.NDArray[np.object_]:
    return np.array([_ROLES[role] for role in EdgeRole], object)


_SHOWN_OF_SETUPS = {
    "n": "counted",
    "counted": "counted",
    "mean_mps": "mean [m/s]",
    "U95_mean_mps": "± 95 % [m/s]",
    "s_mps": "s [m/s]",
}


def _html_table(summary: pd.DataFrame) -> str:
    """Return the statistics of setups as a table for a notebook, their names harmless."""
    shown = [name for name in _SHOWN_OF_SETUPS if name in summary.columns]
    if summary.empty or not shown:
        return ""
    table = summary[shown].rename(columns=_SHOWN_OF_SETUPS)
    table.index = pd.Index([setup_text(str(name)) for name in table.index], name="setup")
    table = table.reset_index()
    return str(table.to_html(index=False, float_format="{:.4g}".format, na_rep=""))


def _setups(session: Session) -> dict[str, Setup]:
    """Return the setups by name, that of no name only where shots were made with it."""
    unnamed = session.setups.named(NO_SETUP)[session.log.setup].any()
    names = [name for name in session.setups.names if name != NO_SETUP or unnamed]
    return {name: session.setups.last(name) for name in names}


def _damage(recorded: LoadedRecording, data: dict[str, Any]) -> Damage:
    unusable = recorded.session.unusable
    words = trouble_sentences(recorded)
    words += [unread_line(recorded.session)] if unusable.records else []
    words += filter(None, [clock_doubt(recorded)])
    return Damage(
        **{name: data[name] for name in Damage.__dataclass_fields__.keys() & data.keys()},
        samples=tuple(unusable.line_samples),
        words=tuple(words),
    )


def _summary(setups: list[dict[str, Any]]) -> pd.DataFrame:
    """Return the numbers of each setup; what is no number is told elsewhere."""
    rows = [
        {k: v for k, v in setup.items() if isinstance(v, int | float | None)}
        for setup in setups
    ]
    names = pd.Index([setup["setup"] for setup in setups], dtype=_TEXT, name="setup")
    return _with_units(pd.DataFrame(rows, index=names))


def _with_units(table: _Frame) -> _Frame:
    table.attrs["units"] = {
        column: unit
        for column in table.columns
        for ending, unit in _UNITS.items()
        if column.endswith(ending)
    }
    return table
