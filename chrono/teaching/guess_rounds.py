"""Rounds in which a class guesses: a speed before the shot, or how large its ± will be.

A round is about one shot. It is open, then closed, then revealed; it takes one guess of each
viewer while it is open. Knows nothing of the network, of clocks or of files.
"""

import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from chrono.errors import OptionError
from chrono.safe_text import plain
from chrono.teaching.guesses import Guess
from chrono.units import SPEED_UNITS

LONGEST_NAME = 20
"""Signs in the name of a group."""

MOST_GUESSES = 500
"""Guesses in one round."""

MOST_GUESSERS = 2000
"""Viewers that have a number, in a whole lesson."""


class GuessKind(StrEnum):
    """What is guessed."""

    SPEED = "speed"
    ERROR = "error"


class Phase(StrEnum):
    """Where a round is; guesses are taken while it is open."""

    OPEN = "open"
    CLOSED = "closed"
    REVEALED = "revealed"


@dataclass(frozen=True)
class RoundGuess:
    """
    One guess of a round.

    Attributes
    ----------
    number : int
        Of the viewer, from 1, the same in all rounds.
    name : str
        That a group gave itself, may be empty.
    value : float
        Speed or half-width of its ± [m/s]; with `is_part` the half-width over the speed.
    is_part : bool
    """

    number: int
    name: str
    value: float
    is_part: bool = False

    def value_mps(self, speed_mps: float) -> float:
        """Return the guess [m/s], given the measured speed; NaN if that is not known."""
        return self.value * speed_mps if self.is_part else self.value


@dataclass(frozen=True)
class Round:
    """
    A round.

    Attributes
    ----------
    kind : GuessKind
    shot : int
        Number of the shot that it is about.
    phase : Phase
    guesses : tuple of RoundGuess
        In the order in which they came.
    """

    kind: GuessKind
    shot: int
    phase: Phase = Phase.OPEN
    guesses: tuple[RoundGuess, ...] = ()


@dataclass(frozen=True)
class MeasuredShot:
    """Speed of a shot and its ± at 95 % [m/s]; NaN where they were not measured."""

    speed_mps: float
    U95_mps: float

    def of(self, kind: GuessKind) -> float:
        """Return what was to be guessed [m/s]."""
        return self.speed_mps if kind == GuessKind.SPEED else self.U95_mps


UNMEASURED = MeasuredShot(math.nan, math.nan)


class GuessRounds:
    """
    The rounds of one lesson, one after the other.

    Attributes
    ----------
    now : Round or None
        The round that is open, or was the last one.
    agreed : mapping of int to str
        Names that may be shown, by the numbers of the viewers.
    """

    def __init__(self) -> None:
        self.now: Round | None = None
        self.agreed: Mapping[int, str] = {}
        self._numbers: dict[str, int] = {}
        self._names: dict[int, str] = {}
        self._guessed: set[str] = set()

    def open(self, kind: GuessKind, shot: int) -> None:
        """Begin a round."""
        self.now = Round(kind, shot)
        self._guessed.clear()

    def go_to(self, phase: Phase) -> None:
        """Close or reveal the round."""
        assert self.now is not None, "there is a round"
        self.now = replace(self.now, phase=phase)

    def take(self, token: str, name: str, text: str, unit: str) -> int:
        """
        Take a guess.

        Parameters
        ----------
        token : str
            That of the viewer's page.
        name : str
            Of the group, as it came.
        text : str
            The guess, as it came.
        unit : str
            Of `SPEED_UNITS`, for a number without one.

        Returns
        -------
        int
            The viewer's number.

        Raises
        ------
        RoundError
            No round is open, or this viewer has guessed.
        OptionError
            It is not a guess.
        """
        if self.now is None or self.now.phase != Phase.OPEN:
            raise RoundError("no round is open now")
        if token in self._guessed:
            raise RoundError("you have sent a guess in this round")
        is_new = token not in self._numbers
        if len(self.now.guesses) >= MOST_GUESSES or (
            is_new and len(self._numbers) >= MOST_GUESSERS
        ):
            raise RoundError("this round has as many guesses as it can hold")
        value, is_part = read_guess(text, self.now.kind, unit)
        number = self._numbers.setdefault(token, len(self._numbers) + 1)
        called = group_name(name)
        self._names[number] = called
        self._guessed.add(token)
        guess = RoundGuess(number, called, value, is_part)
        self.now = replace(self.now, guesses=(*self.now.guesses, guess))
        return number

    def agree(self) -> None:
        """Let the names be shown that are there now; later ones wait for the next time."""
        self.agreed = {number: name for number, name in self._names.items() if name}

    @property
    def waiting(self) -> Mapping[int, str]:
        """Names that are not agreed to, by the numbers of the viewers."""
        names = self._names.items()
        return {n: name for n, name in names if name and self.agreed.get(n) != name}

    def shown_name(self, guess: RoundGuess) -> str:
        """Return the name of a guess if it may be shown, else its number."""
        agreed = self.agreed.get(guess.number) == guess.name
        return guess.name if guess.name and agreed else str(guess.number)

    def kept(self, recording: str, measured: MeasuredShot, time: str) -> list[Guess]:
        """Return the guesses of the round as they are kept in a file."""
        assert self.now is not None, "there is a round"
        return [
            Guess(
                who=guess.name or str(guess.number),
                guess_mps=guess.value_mps(measured.speed_mps),
                U95_mps=measured.U95_mps,
                speed_mps=measured.speed_mps,
                recording=recording,
                shot=self.now.shot,
                time=time,
                kind=self.now.kind.value,
            )
            for guess in self.now.guesses
        ]


class RoundError(OptionError):
    """A guess that comes at a wrong time."""


_GUESS = re.compile(
    r"±?\s*(\d{1,7}(?:[.,]\d{1,6})?|[.,]\d{1,6})\s*(m/s|km/h|ft/s|mph|%)?", re.ASCII
)


def read_guess(text: str, kind: GuessKind, unit: str) -> tuple[float, bool]:
    """
    Read a guess such as ``"22,5"``, ``"80 km/h"``, or, of an error, ``"2 %"``.

    Returns
    -------
    value : float
        The speed or half-width [m/s], or the half-width as a part of the speed.
    is_part : bool

    Raises
    ------
    OptionError
        It is not a guess.
    """
    found = _GUESS.fullmatch(text.strip()) if len(text) <= 40 else None
    if found is not None:
        value, named = float(found[1].replace(",", ".")), found[2] or unit
        if named != "%" and value > 0:
            return value * SPEED_UNITS[named], False
        if kind == GuessKind.ERROR and 0 < value <= 1000:
            return value / 100, True
    example = f"22.5 {unit}" if kind == GuessKind.SPEED else f"0.3 {unit} or 2 %"
    raise OptionError("that is not a number that can be taken", hint=f"write {example}")


def group_name(text: str) -> str:
    """Return the name of a group: one line, short, nothing that a screen could obey."""
    return " ".join(plain(unicodedata.normalize("NFC", text[:200])).split())[:LONGEST_NAME]
