"""What a picture of a session's speeds shows: shots in order, each setup's mean, what is aside.

A long session is thinned: consecutive shots of a setup become one dot with their range.
"""

from dataclasses import dataclass

import numpy as np

from chrono.arrays.array_types import Floats, Ints
from chrono.measuring.statistics import Series
from chrono.session.recorded import Recorded
from chrono.session.session import Session

MOST_DOTS = 240
"""More dots of one setup are a smear on a page 170 mm wide."""


@dataclass(frozen=True, eq=False)
class PlottedSetup:
    """
    The counted shots of one setup as dots.

    Attributes
    ----------
    name : str
    series : Series
    number : ndarray of float64, shape (N,)
        Numbers of the shots in the session, from 1; means of them where shots share a dot.
    speed_mps, low_mps, high_mps : ndarray of float64, shape (N,)
        Speed and its 95 % interval; where shots share a dot, their mean and their range.
    per_dot : int
        Shots that share a dot; 1 where each has its own.
    """

    name: str
    series: Series
    number: Floats
    speed_mps: Floats
    low_mps: Floats
    high_mps: Floats
    per_dot: int


@dataclass(frozen=True, eq=False)
class Plotted:
    """
    The speeds of a recording to be drawn.

    Attributes
    ----------
    name : str
        Of the recording.
    unit : str
        In which speeds are shown.
    shots : int
        All of them, counted or not.
    setups : tuple of PlottedSetup
        Those with counted shots, in order of first use.
    changes : ndarray of int64, shape (M,)
        Numbers of the shots before which another setup was stated.
    aside_number : ndarray of int64, shape (K,)
        Numbers of the shots that have a speed and are not counted.
    aside_mps : ndarray of float64, shape (K,)
        Their speeds.
    """

    name: str
    unit: str
    shots: int
    setups: tuple[PlottedSetup, ...]
    changes: Ints
    aside_number: Ints
    aside_mps: Floats

    @property
    def per_dot(self) -> int:
        """The largest number of shots that share a dot."""
        return max((setup.per_dot for setup in self.setups), default=1)


def plotted_of(recorded: Recorded, most_dots: int = MOST_DOTS) -> Plotted:
    """Return what to draw of a recording, at most `most_dots` dots of each setup."""
    session = recorded.session
    measured = session.measured()
    counted = session.are_counted(session.log.shots, measured.speed_mps)
    setups = []
    for name in session.setups.names:
        series = session.series(name)
        places = (counted & session.setups.named(name)[session.log.setup]).nonzero()[0]
        if series is not None:
            speed, half = measured.speed_mps[places], measured.U95_mps[places]
            setups.append(_dots(name, series, places + 1, speed, half, most_dots))
    aside = (~counted & np.isfinite(measured.speed_mps)).nonzero()[0]
    return Plotted(
        recorded.name,
        session.rig.speed_unit,
        len(session.log),
        tuple(setups),
        _changes(session),
        aside.astype(np.int64) + 1,
        measured.speed_mps[aside],
    )


def _changes(session: Session) -> Ints:
    """Return the numbers of the shots whose setup has another name than the shot before."""
    if not len(session.log):
        return np.zeros(0, np.int64)
    used, place = np.unique(session.log.setup, return_inverse=True)
    codes = {name: code for code, name in enumerate(session.setups.names)}
    of_shot = np.array([codes[session.setups.name(int(i))] for i in used])[place]
    return np.flatnonzero(np.diff(of_shot)).astype(np.int64) + 2


def _dots(
    name: str, series: Series, number: Ints, speed: Floats, half: Floats, most: int
) -> PlottedSetup:
    """Return a setup's dots: each shot with its interval, or groups with their range."""
    per_dot = -(-len(speed) // most)
    if per_dot == 1:
        low, high = speed - half, speed + half
        return PlottedSetup(name, series, number.astype(np.float64), speed, low, high, 1)
    starts = np.arange(0, len(speed), per_dot)
    sizes = np.diff(np.append(starts, len(speed)))
    return PlottedSetup(
        name,
        series,
        np.add.reduceat(number, starts) / sizes,
        np.add.reduceat(speed, starts) / sizes,
        np.minimum.reduceat(speed, starts),
        np.maximum.reduceat(speed, starts),
        per_dot,
    )
