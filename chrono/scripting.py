"""The door for scripts and notebooks: recordings as data frames, transits as speeds.

What is read and measured here is what the commands read and measure; only the shape is that
of pandas. Numbers carry their unit in the column's name and in `attrs`.
"""

import os
import warnings
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, overload

import numpy as np
import numpy.typing as npt
import pandas as pd

from chrono.arrays.array_types import Floats
from chrono.errors import OptionError
from chrono.measuring.speed import SpeedModel
from chrono.measuring.speed import measure as measure_shots
from chrono.processor.shot_records import ABSENT, SHOT_DTYPE, EdgesUsed, Shots
from chrono.reports.export_table import TEXT_COLUMNS, shot_frame
from chrono.reports.findings_text import clock_doubt, recording_findings, unread_line
from chrono.reports.setup_words import count_text
from chrono.reports.summary_text import summary_data, trouble_lines
from chrono.rigs.rig_file import load_rig, rig_from_record, rig_from_table
from chrono.rigs.rig_model import Rig
from chrono.session.operator_records import NO_SETUP, Setup
from chrono.session.recording_loader import LoadedRecording, read_all
from chrono.session.rejected_input import DamagedLine
from chrono.session.session import Session
from chrono.session.session_summary import summary_of

PathLike = str | os.PathLike[str]
RigLike = Rig | PathLike | Mapping[str, Any]

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

_STEP_S = 1e-15
"""Transits of scripts are counted in steps too small to matter beside any clock's."""
_LONGEST_S = 3600.0


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
        `time_utc` being NaT where the recording does not state its start. Speeds [m/s] are
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
    if not paths:
        raise OptionError("no recording is named", hint="name one: a pattern may match none")
    other = None if rig is None else _rig(rig)
    read = list(read_all([Path(p) for p in paths], other, clock_from_host))
    found = Recordings(_recording(each) for each in read)
    for line in (line for each in read for line in recording_findings(each)):
        warnings.warn(line, stacklevel=2)
    return found[0] if one else found


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
    )


def _shots(recorded: LoadedRecording) -> pd.DataFrame:
    table = shot_frame(recorded.session, recorded.name).set_index("shot")
    table = table.astype(dict.fromkeys(TEXT_COLUMNS, _TEXT))
    return _with_units(table)


def _setups(session: Session) -> dict[str, Setup]:
    """Return the setups by name, that of no name only where shots were made with it."""
    unnamed = session.setups.named(NO_SETUP)[session.log.setup].any()
    names = [name for name in session.setups.names if name != NO_SETUP or unnamed]
    return {name: session.setups.last(name) for name in names}


def _damage(recorded: LoadedRecording, data: dict[str, Any]) -> Damage:
    unusable = recorded.session.unusable
    words = [line.strip() for line in trouble_lines(recorded)]
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


def _with_units(table: pd.DataFrame) -> pd.DataFrame:
    table.attrs["units"] = {
        column: unit
        for column in table.columns
        for ending, unit in _UNITS.items()
        if column.endswith(ending)
    }
    return table
