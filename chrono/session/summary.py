"""What the shots of a recording come to, setup by setup."""

from dataclasses import dataclass

import numpy as np

from chrono.measuring.muzzle import MuzzleSpeed, muzzle_of
from chrono.measuring.statistics import Series
from chrono.session.marks import Setup
from chrono.session.recorded import Recorded
from chrono.session.session import Session


@dataclass(frozen=True)
class SetupSummary:
    """
    The counted shots of one setup.

    Attributes
    ----------
    setup : Setup
        What was stated last under its name.
    series : Series or None
        None without counted shots.
    mouth : MuzzleSpeed or None
        Their mean at the launcher's mouth, None where that is not known.
    """

    setup: Setup
    series: Series | None
    mouth: MuzzleSpeed | None


@dataclass(frozen=True, eq=False)
class Summary:
    """
    A recording summed up.

    Attributes
    ----------
    recorded : Recorded
    counted : int
        Shots that enter the statistics.
    setups : tuple of SetupSummary
        Of the setups with shots, in order of first use.
    """

    recorded: Recorded
    counted: int
    setups: tuple[SetupSummary, ...]


def summary_of(recorded: Recorded) -> Summary:
    """Sum up a recording that was read whole."""
    session = recorded.session
    used = {session.setups.name(int(i)) for i in np.unique(session.log.setup)}
    setups = (_setup(session, name) for name in session.setups.names if name in used)
    return Summary(recorded, int(session.counted().sum()), tuple(setups))


def _setup(session: Session, name: str) -> SetupSummary:
    setup, series = session.setups.last(name), session.series(name)
    mouth = muzzle_of(series, session.rig, setup.body) if series is not None else None
    return SetupSummary(setup, series, mouth)
