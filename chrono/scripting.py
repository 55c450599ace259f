"""Read and compare recordings, and measure live shots, in scripts and notebooks.

The functions read and measure in the same way as the commands, but return pandas data frames.
The name of a column states the unit of its numbers; ``frame.attrs["units"]`` lists all units.
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
from chrono.processor.shot_records import ABSENT, SHOT_DTYPE, EdgesUsed, Shots
from chrono.reader.serial_ports import DEFAULT_BAUDRATE
from chrono.reports.comparison_text import comparison_data, comparison_text
from chrono.reports.export_table import TEXT_COLUMNS, shot_frame, stated_setups
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
from chrono.session.edge_list import EdgeRole, edges_of
from chrono.session.operator_records import Setup
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
"""The type of texts in data frames, the same with and without pyarrow."""
_SPEEDS = ("speed_mps", "u_mps", "U95_mps", "u_random_mps", "u_shared_mps")

_RENAMED = {"flags": "shot_flags"}
"""New names of columns. Every frame already has an attribute `flags`."""

_ROLES = {
    EdgeRole.LEADING: "leading edge",
    EdgeRole.TRAILING: "trailing edge",
    EdgeRole.BOUNCE: "bounce",
    EdgeRole.COMPANION: "companion",
    EdgeRole.FLICKER: "flicker",
    EdgeRole.PASSED_OVER: "passed over",
}

_STEP_S = 1e-15
"""Transits from scripts are counted in these steps [s], far smaller than a clock's steps."""
_LONGEST_S = 3600.0


class _ShotFrame(pd.DataFrame):
    """A data frame of shots; ``frame["old name"]`` still gives a renamed column."""

    def __getitem__(self, key: Any) -> Any:
        if isinstance(key, str) and key not in self.columns:
            key = _RENAMED.get(key, key)
        return super().__getitem__(key)


@dataclass(frozen=True)
class Damage:
    """
    The problems found in a recording; ``if damage:`` is false if there are none.

    ``str(damage)`` returns the problems as a text.

    Attributes
    ----------
    damaged_lines, lost_lines : int
        Number of lines that could not be used, and of lines that never arrived.
    samples : tuple of DamagedLine
        The first damaged lines, each with `row`, `text` and `reason`.
    board_lost_edges : int
        Number of edges that the board had to drop.
    restarts : int
        Number of times that the board restarted.
    unread_records : int
        Number of setups and marks that are not valid.
    left_out : str
        A message about data at the end of the file that could not be used.
    clock_doubt : str
        The reason why the host's clock is not used, although the rig requires it.
    words : tuple of str
        All problems as sentences.
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
    The shots of a recording, with its rig, its setups and its problems.

    Attributes
    ----------
    name : str
        The file's name. Its folders are included if another file of the same call has this
        name.
    started : str
        Start of the session as ISO 8601. It is empty if the recording does not state it.
    shots : pandas.DataFrame
        One row per shot. The index is the number of the shot, from 1. The columns are the same
        as in `chrono export`, but `flags` is called `shot_flags`. `time_utc` is NaT if the
        recording does not state its start. Speeds [m/s] are NaN if there is no measured speed.
        ``shots.attrs["units"]`` gives the units of the columns.
    rig : Rig
        The rig of the measurement, in SI units: ``rig.gates.spacing_m``.
    setups : dict of str to Setup
        The setups by name. Each has `body` (values in place of the rig's) and `conditions`. If
        several setups have the same name, this is the last one with shots.
    damage : Damage
        The problems found in the recording.
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
        All edges that the board sent, in the order of the lines in the recording.

        When you first use `edges`, the program reads the file again.

        Returns
        -------
        pandas.DataFrame
            One row per edge. The index is the number of the edge, from 1. The columns are

            - `gate`: A or B;
            - `level`: 1 blocked, 0 clear, NA if the line does not state it;
            - `counter`: the counter as the board sent it [counter units];
            - `board_s`: time by the counter without its wraps [s]. Only differences matter. The
              difference of two leading edges is a transit;
            - `time_s`: time when the line was read, since the session's start [s];
            - `late`: True if the line states that its counter was read late;
            - `shot`: the number of the shot, NA if the edge does not belong to a shot;
            - `taken_for`: the role of the edge. "leading edge" or "trailing edge" of the shot's
              body; "bounce" between these two; "companion" for another body of the same launch;
              "flicker" of a lamp; "passed over" at a gate that stayed blocked.

            The frame is empty if the board sends intervals instead of edges.

        Raises
        ------
        RecordingError
            If the file can no longer be read.

        Examples
        --------
        >>> import chrono
        >>> monday = chrono.read("monday.tsv")
        >>> monday.edges.loc[1:4, ["gate", "level", "counter", "shot", "taken_for"]]
             gate  level     counter  shot      taken_for
        edge
        1       A      1  3994041991     1   leading edge
        2       A      0  3994071395     1  trailing edge
        3       B      1  3994262750     1   leading edge
        4       B      0  3994292282     1  trailing edge
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
        Draw the speeds of the shots in order, with their intervals and the mean of each setup.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            The axes for the drawing. Without `ax` a new figure is made.

        Returns
        -------
        matplotlib.axes.Axes
            The axes with the drawing.

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
            The index is `setup`. The columns are the numbers of `chrono summary --json`:
            `counted`, `mean_mps`, `U95_mean_mps` [m/s] and more. Undefined numbers are NaN.
        """
        return self._summary.copy()

    def __repr__(self) -> str:
        counted = int(self.shots["counted"].sum())
        trouble = f"; {self.damage}" if self.damage else ""
        shots = count_text(len(self.shots), "shot")
        return f"<Recording {self.name}: {shots}, {counted} counted{trouble}>"

    def _repr_html_(self) -> str:
        """
        Return HTML for a notebook: name, number of shots, problems, statistics of each setup.

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
    """Several recordings, in the order in which you gave their names."""

    @property
    def shots(self) -> pd.DataFrame:
        """All shots in one data frame; their numbers begin with 1 in each `recording`."""
        return _with_units(_ShotFrame(pd.concat([each.shots for each in self])))

    def summary(self) -> pd.DataFrame:
        """Return the statistics of all setups of all recordings in one data frame."""
        tables = [each.summary() for each in self]
        for table, each in zip(tables, self, strict=True):
            table.insert(0, "recording", each.name)
        return _with_units(pd.concat(tables))

    def _repr_html_(self) -> str:
        """Return HTML for a notebook that shows one recording after the other."""
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
    Read recordings and measure their shots.

    Parameters
    ----------
    recording : str, path, or iterable of them
        The recording. Several recordings give one data frame with all shots.
    rig : Rig, str, path or dict, optional
        Measure with this rig instead of the last rig in the recording; see `rig`.
    clock_from_host : bool, optional
        Take the counter's rate from its beats, even if the rig does not ask for it.

    Returns
    -------
    Recording or Recordings
        `Recordings` for several recordings and for a list, even a list of one recording.

    Raises
    ------
    ChronoError
        If a file is not a recording, or if it contains no rig and you give no rig.

    Warns
    -----
    UserWarning
        If something is wrong with the data. The warning names the fault and the file.

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
    """Read recordings, and issue a Python warning for each fault of the data."""
    if not paths:
        raise OptionError(
            "no recording was given", hint="give a recording, or correct the pattern of names"
        )
    other = None if rig is None else _rig(rig)
    loaded = list(read_all([Path(p) for p in paths], other, clock_from_host))
    for line in (line for each in loaded for line in recording_findings(each)):
        warnings.warn(line, stacklevel=3)
    return loaded


@dataclass(frozen=True, eq=False, repr=False)
class ComparedSetups:
    """
    The result of comparing setups.

    Attributes
    ----------
    pairs : pandas.DataFrame
        One row per pair of setups, with the numbers of `chrono compare --json`. The main
        columns are `first_setup` and `second_setup`; `difference_mps`, which is the second
        speed minus the first [m/s], with its 95 % interval `U95_mps`; `verdict`, `settled` and
        `faster`; `repeatability` and `s_ratio`. The names of the numbers without a drift begin
        with `without_drift_`. Undefined values are NaN or None.
    setups : pandas.DataFrame
        The statistics of each setup, indexed by its name.
    headline : tuple of str
        The answer in a sentence, and at most two reasons to doubt this answer.
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
        """Return HTML for a notebook: the headline, the setups and their comparisons."""
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
    Compare the setups of recordings: which setup is faster, and by how much.

    Parameters
    ----------
    recording : str, path, Recording, or iterable of them
        One recording, or several that are compared with each other.
    rig : Rig, str, path or dict, optional
        Measure with this rig; see `read`. Not allowed for a `Recording`.
    clock_from_host : bool, optional
        See `read`. Not allowed for a `Recording`.
    pool : bool, optional
        Combine the shots of all recordings that have the same setup.
    one_rig : bool, optional
        True if one rig made all recordings, False if each recording has a different rig.
        Without it the program compares the identities in the rigs, then their descriptions.

    Returns
    -------
    ComparedSetups

    Raises
    ------
    ChronoError
        If a file is not a recording, or if there are too many setups to compare all pairs.

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
            "a `Recording` already has its rig",
            where="compare",
            hint="give only names of files, or give only results of `read` without a rig",
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
    """Return the comparison of two setups as one flat dict, for one row of a table."""
    told = {f"{place}_setup": pair[place] for place in ("first", "second")}
    told |= pair["difference"] or {}
    plain_ones = {k: v for k, v in pair.items() if not isinstance(v, dict)}
    told |= {k: v for k, v in plain_ones.items() if k not in {"first", "second"}}
    for name in _OBJECTS[1:]:
        told |= {f"{name}_{k}": v for k, v in (pair[name] or {}).items()}
    return {k: v for k, v in told.items() if v is not None or k not in _OBJECTS}


class LiveShots:
    """
    Measure the shots of a board, one after the other, while you shoot.

    Use this object in a ``with`` statement. Each shot has the attributes `number`, `setup`,
    `speed_mps`, `U95_mps`, `counted`, `flags`, and so on: the values of `chrono clock --json`,
    but not rounded. Undefined numbers are NaN.

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
            If the port or the recording cannot be used, or if this object was opened before.
        """
        from chrono.cautions import CAUTION
        from chrono.commands.console_output import RunReporter, tell
        from chrono.session.run import turns

        if self._run is not None:
            raise OptionError(
                "this object was used already", where="live", hint="call `live` again"
            )
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
        """Close the port and the recording, even after an error; warn about problems."""
        from chrono.commands.stop_signals import noted_signals

        with noted_signals() as ending:
            self._close()
        if ending.asked and fault is None:
            raise KeyboardInterrupt

    def __iter__(self) -> Iterator[ShotRow]:
        """Return this object as an iterator that yields each shot once."""
        return self

    def __next__(self) -> ShotRow:
        """
        Wait for the next shot.

        The program writes the shot to the recording before it returns the shot.

        Raises
        ------
        PortError
            If no board answers on the port.
        """
        from chrono.commands.stop_signals import noted_signals

        run = self._opened()
        with noted_signals() as ending:  # a signal does not interrupt a turn
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
        """The file that this run writes or has written; `chrono.read` can read it."""
        writer = self._opened().writer
        assert writer is not None, "a live run of a script always has a recording"
        return writer.path

    def change_setup(self, name: str) -> None:
        """Assign all shots from now on to the setup with this name."""
        self._opened().say_setup(Setup(name))

    def __repr__(self) -> str:
        state = "closed" if self._closed else "open" if self._run else "not opened"
        return f"<LiveShots {self.port}: {state}, {count_text(self._given, 'shot')} yielded>"

    def _opened(self) -> "LiveRun":
        if self._run is None:
            raise OptionError(
                "the connection to the board is not open",
                where="live",
                hint="write: with chrono.live(…) as shots:",
            )
        return self._run

    def _has_next(self, run: "LiveRun") -> bool:
        """Return True if the next shot is complete and saved on the disk."""
        is_wanted = self._limit is None or self._given < self._limit
        on_disk = run.writer is not None and run.writer.trouble is None
        return is_wanted and on_disk and self._given < len(run.session.log)

    def _is_over(self, run: "LiveRun") -> bool:
        """Return True if the run is closed, or if it has the wanted number of shots."""
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
    Measure shots while you shoot, and record everything that the board sends.

    The function prints safety warnings on standard error (stderr): read them before you shoot.
    The loop over the shots ends after `shots` shots, by ``break``, by an exception or by
    Ctrl+C. The end of the ``with`` block always closes the port and the recording.

    Parameters
    ----------
    port : str
        The port, such as ``/dev/ttyUSB0`` or ``COM3``; ``virtual://two-bands`` is a virtual
        board.
    rig : Rig, str, path or dict, optional
        The gates; see `chrono.rig`. A virtual board has its own rig.
    recording : str or path, optional
        New file for the recording. Without it the file is ``session-DATE-TIME.tsv`` in this
        folder.
    setup : str, optional
        Name of the first setup.
    shots : int, optional
        End the recording after this many shots.
    baud : int, optional
        Baud rate of the firmware.
    clock_from_host : bool, optional
        Take the counter's rate from its beats.
    spare : str or path, optional
        Folder in which the recording continues if its own folder cannot be used. Without this
        option, the home folder is used.

    Returns
    -------
    LiveShots
        Open this object with ``with``, then iterate over it.

    Raises
    ------
    RigError
        If something is wrong with the rig. The ``with`` statement raises all other errors.

    Warns
    -----
    UserWarning
        At the end, if something went wrong. The warning names the fault.

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
    Return the rig that a file or a dict describes, in SI units.

    Parameters
    ----------
    description : str, path or dict
        A rig file, or its keys as a dict. The values are texts with units as in a rig file, or
        SI numbers with the unit in each name as in a recording.

    Returns
    -------
    Rig
        The rig, with the sections `gates`, `clock`, `body`, `window`, `site` and `calibration`.

    Raises
    ------
    RigError
        If the description is wrong. The error lists all faults.

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


_rig = rig  # `read` and `measure` have arguments with this name


def measure(transit_s: npt.ArrayLike, rig: RigLike, *, edges: str = "both") -> pd.DataFrame:
    """
    Compute speeds and their uncertainties from transits.

    Parameters
    ----------
    transit_s : array_like of float, shape (N,)
        Transits by the board's clock [s]; a Series keeps its index.
    rig : Rig, str, path or dict
        The gates; see `chrono.rig`. The rig must state the tick and the jitter of the clock
        that timed the transits.
    edges : {"both", "lead", "trail"}, optional
        The edges that gave the transits: the mean of both pairs, or one pair.

    Returns
    -------
    pandas.DataFrame
        One row per transit with `speed_mps`, `u_mps`, `U95_mps`, `u_random_mps` and
        `u_shared_mps` [m/s]. The row is NaN if the transit is NaN or not above zero.

    Raises
    ------
    OptionError
        If the transits are not numbers in one dimension, or if one is longer than an hour.

    Examples
    --------
    >>> import chrono
    >>> gates = chrono.rig({"gates": {"spacing": "300 mm"}})
    >>> chrono.measure([0.010, 0.020], gates)["speed_mps"].round(3).tolist()
    [30.002, 15.001]
    """
    if edges not in _EDGES:
        raise OptionError(
            f"{edges!r} is not a valid choice", where="edges", hint="write both, lead or trail"
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
            "the transits are not an array of numbers",
            where="transit_s",
            hint="give transits in seconds",
        ) from error
    if values.ndim != 1:
        raise OptionError(
            f"the array has {values.ndim} dimensions instead of one",
            where="transit_s",
            hint="give a list of transits",
        )
    if (values > _LONGEST_S).any():
        raise OptionError(
            f"a transit of {values.max():g} s is longer than an hour",
            where="transit_s",
            hint="give transits in seconds",
        )
    return values


def _timed(transit_s: Floats, used: EdgesUsed) -> Shots:
    """Return shots with these transits, rounded to steps of `_STEP_S`."""
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
    """Return the speed model of a rig; keep the last models, because each takes 0.1 s."""
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
    """Return the statistics of setups as an HTML table for a notebook; escape the names."""
    shown = [name for name in _SHOWN_OF_SETUPS if name in summary.columns]
    if summary.empty or not shown:
        return ""
    table = summary[shown].rename(columns=_SHOWN_OF_SETUPS)
    table.index = pd.Index([setup_text(str(name)) for name in table.index], name="setup")
    table = table.reset_index()
    return str(table.to_html(index=False, float_format="{:.4g}".format, na_rep=""))


def _setups(session: Session) -> dict[str, Setup]:
    """Return the setups in a dict by name; leave out the nameless setup if it has no shots."""
    return {name: session.setups_with_shots(name)[-1] for name in stated_setups(session)}


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
    """Return the statistics of the setups in a data frame; leave out all texts and lists."""
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
