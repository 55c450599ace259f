"""Manage rounds in which pupils guess the speed of a shot, or its ±.

A round asks about one shot. A round is first open, then closed, then revealed. While a round
is open, each viewer can send one guess.
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
"""Largest number of characters in the name of a group."""

MOST_GUESSES = 500
"""Largest number of guesses in one round."""

MOST_GUESSERS = 2000
"""Largest number of viewers that get a number in one lesson."""


class GuessKind(StrEnum):
    """The quantity that a class guesses: the speed of a shot, or the ± of the speed."""

    SPEED = "speed"
    ERROR = "error"


class Phase(StrEnum):
    """The phase of a round; the round accepts guesses only while it is open."""

    OPEN = "open"
    CLOSED = "closed"
    REVEALED = "revealed"


@dataclass(frozen=True)
class RoundGuess:
    """
    One guess of a viewer in a round of guesses.

    Attributes
    ----------
    number : int
        Number of the viewer, from 1. A viewer has the same number in all rounds.
    name : str
        Name that the group entered; may be empty.
    value : float
        Guessed speed or ± [m/s]; if `is_part` is True, guessed ± divided by the speed.
    is_part : bool
        True if the guess was given in per cent of the speed.
    """

    number: int
    name: str
    value: float
    is_part: bool = False

    def value_mps(self, speed_mps: float) -> float:
        """
        Return the guess in m/s.

        The result is NaN for a guess in per cent if the speed was not measured.
        """
        return self.value * speed_mps if self.is_part else self.value


@dataclass(frozen=True)
class Round:
    """
    A round of guesses.

    Attributes
    ----------
    kind : GuessKind
    shot : int
        Number of the shot whose speed or ± is guessed.
    phase : Phase
    guesses : tuple of RoundGuess
        The guesses in the order in which they arrived.
    """

    kind: GuessKind
    shot: int
    phase: Phase = Phase.OPEN
    guesses: tuple[RoundGuess, ...] = ()


@dataclass(frozen=True)
class MeasuredShot:
    """The measured speed and U95 of a shot [m/s]; NaN for a value that was not measured."""

    speed_mps: float
    U95_mps: float

    def of(self, kind: GuessKind) -> float:
        """Return the measured value that the class had to guess [m/s]: the speed or its ±."""
        return self.speed_mps if kind == GuessKind.SPEED else self.U95_mps


UNMEASURED = MeasuredShot(math.nan, math.nan)


class GuessRounds:
    """
    All rounds of guesses in one lesson, one round after the other.

    Attributes
    ----------
    now : Round or None
        The open round. If no round is open, the last round.
    agreed : mapping of int to str
        For each viewer's number, the name that may be shown.
    """

    def __init__(self) -> None:
        self.now: Round | None = None
        self.agreed: Mapping[int, str] = {}
        self._numbers: dict[str, int] = {}
        self._names: dict[int, str] = {}
        self._guessed: set[str] = set()

    def open(self, kind: GuessKind, shot: int) -> None:
        """Begin a new round of guesses."""
        self.now = Round(kind, shot)
        self._guessed.clear()

    def go_to(self, phase: Phase) -> None:
        """Close the round of guesses, or reveal its result."""
        assert self.now is not None, "no round was opened"
        self.now = replace(self.now, phase=phase)

    def take(self, token: str, name: str, text: str, unit: str) -> int:
        """
        Accept the guess that a viewer sent.

        Parameters
        ----------
        token : str
            Token of the viewer's page.
        name : str
            Name of the group, as entered.
        text : str
            The guess, as entered.
        unit : str
            Unit for a number without a unit, one of `SPEED_UNITS`.

        Returns
        -------
        int
            The viewer's number.

        Raises
        ------
        RoundError
            If no round is open, if this viewer has already guessed, or if the round is full.
        OptionError
            If the text is not a guess.
        """
        if self.now is None or self.now.phase != Phase.OPEN:
            raise RoundError("no round is open, so you cannot guess now")
        if token in self._guessed:
            raise RoundError("you have already sent a guess in this round")
        is_new = token not in self._numbers
        if len(self.now.guesses) >= MOST_GUESSES or (
            is_new and len(self._numbers) >= MOST_GUESSERS
        ):
            raise RoundError("this round accepts no more guesses")
        value, is_part = read_guess(text, self.now.kind, unit)
        number = self._numbers.setdefault(token, len(self._numbers) + 1)
        called = group_name(name)
        self._names[number] = called
        self._guessed.add(token)
        guess = RoundGuess(number, called, value, is_part)
        self.now = replace(self.now, guesses=(*self.now.guesses, guess))
        return number

    def agree(self) -> None:
        """Allow the program to show all names that groups have entered so far."""
        self.agreed = {number: name for number, name in self._names.items() if name}

    @property
    def waiting(self) -> Mapping[int, str]:
        """For each viewer's number, a name that must not be shown yet."""
        names = self._names.items()
        return {n: name for n, name in names if name and self.agreed.get(n) != name}

    def shown_name(self, guess: RoundGuess) -> str:
        """Return the viewer's name if it may be shown, otherwise the viewer's number."""
        agreed = self.agreed.get(guess.number) == guess.name
        return guess.name if guess.name and agreed else str(guess.number)

    def kept(self, recording: str, measured: MeasuredShot, time: str) -> list[Guess]:
        """Return all guesses of the round as records for the file of guesses."""
        assert self.now is not None, "no round was opened"
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
    """Error: a viewer sent a guess at a time when the round does not accept it."""


_GUESS = re.compile(
    r"±?\s*(\d{1,7}(?:[.,]\d{1,6})?|[.,]\d{1,6})\s*(m/s|km/h|ft/s|mph|%)?", re.ASCII
)


def read_guess(text: str, kind: GuessKind, unit: str) -> tuple[float, bool]:
    """
    Convert a text such as ``"22,5"`` or ``"80 km/h"`` to the value of a guess.

    If the class guesses the ±, a guess may also be in per cent of the speed, such as ``"2 %"``.

    Returns
    -------
    value : float
        The guessed speed or ± [m/s], or the guessed ± divided by the speed.
    is_part : bool
        True if the guess is in per cent of the speed.

    Raises
    ------
    OptionError
        If the text is not a guess.
    """
    found = _GUESS.fullmatch(text.strip()) if len(text) <= 40 else None
    if found is not None:
        value, named = float(found[1].replace(",", ".")), found[2] or unit
        if named != "%" and value > 0:
            return value * SPEED_UNITS[named], False
        if kind == GuessKind.ERROR and 0 < value <= 1000:
            return value / 100, True
    example = f"22.5 {unit}" if kind == GuessKind.SPEED else f"0.3 {unit} or 2 %"
    raise OptionError(
        "this guess is not a number in the allowed range",
        hint=f"write a guess such as {example}",
    )


def group_name(text: str) -> str:
    """Make the name of a group one short line without control characters; return the name."""
    return " ".join(plain(unicodedata.normalize("NFC", text[:200])).split())[:LONGEST_NAME]
