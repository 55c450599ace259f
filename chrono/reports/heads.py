"""What an exported file says of its recordings at its head: start, rig, setups, version."""

import json
from dataclasses import dataclass, field
from typing import Any

from chrono import __version__
from chrono.measuring.statistics import Series
from chrono.reports.columns import table_schema
from chrono.rigs.file import rig_record
from chrono.session.marks import NO_SETUP, setup_record
from chrono.session.session import Session

PROGRAM = f"chrono-gates {__version__}"


@dataclass(frozen=True)
class Head:
    """
    What there is to say of one recording beside its shots.

    Attributes
    ----------
    recording : str
        Its name, as in every row.
    started : str
        Start as it states it, ISO 8601, or empty.
    rig : dict
        What its shots were measured with, SI, the unit in each name.
    setups : list of dict
        `name`, `body` and `conditions` of each, as in a recording; where it was asked for,
        the statistics of its counted shots, None where undefined.
    """

    recording: str
    started: str
    rig: dict[str, Any]
    setups: list[dict[str, Any]]


def head_of(session: Session, recording: str, with_statistics: bool = False) -> Head:
    """Return what there is to say of a session that was read whole."""
    setups = []
    for name in _stated(session):
        told = setup_record(session.setups.last(name))
        setups.append(told | _statistics(session, name) if with_statistics else told)
    return Head(recording, session.started, rig_record(session.rig), setups)


def _stated(session: Session) -> list[str]:
    """Return the names of setups, that of no name only where shots were made with it."""
    unnamed = session.setups.named(NO_SETUP)[session.log.setup].any()
    return [name for name in session.setups.names if name != NO_SETUP or unnamed]


def _statistics(session: Session, name: str) -> dict[str, Any]:
    shots = int(session.setups.named(name)[session.log.setup].sum())
    return {"shots": shots, **_series_values(session.series(name))}


def _series_values(series: Series | None) -> dict[str, Any]:
    if series is None:
        return {"counted": 0} | dict.fromkeys(_SERIES)
    values = {name: round(float(getattr(series, name)), 6) for name in _SERIES}
    return {"counted": series.n} | {k: None if v != v else v for k, v in values.items()}


_SERIES = ("mean_mps", "U95_mean_mps", "s_mps", "median_mps", "min_mps", "max_mps")
SETUP_NUMBERS = ("shots", "counted", *_SERIES)
"""The statistics of a setup, in order."""


@dataclass
class Heads:
    """The heads of a file's recordings, each rig once: a season may have been one rig's."""

    rigs: list[dict[str, Any]] = field(default_factory=list)
    recordings: list[dict[str, Any]] = field(default_factory=list)
    _places: dict[str, int] = field(default_factory=dict)

    def add(self, head: Head) -> int:
        """Take in a recording's head; return the place of its rig."""
        place = self._places.setdefault(json.dumps(head.rig), len(self.rigs))
        if place == len(self.rigs):
            self.rigs.append(head.rig)
        self.recordings.append(
            {
                "recording": head.recording,
                "started": head.started,
                "rig": place,
                "setups": head.setups,
            }
        )
        return place

    def texts(self) -> dict[str, str]:
        """
        Return the members of a file's head, each as JSON.

        Returns
        -------
        dict
            `program` and its version; `recordings`, each with `recording` (name), `started`,
            `rig` (place among the rigs) and `setups`; `rigs` in SI units; `schema`, which says
            what the columns are.
        """
        members: dict[str, Any] = {"program": PROGRAM, "recordings": self.recordings}
        members |= {"rigs": self.rigs, "schema": table_schema()}
        return {name: json.dumps(value, allow_nan=False) for name, value in members.items()}
