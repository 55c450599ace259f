"""The teacher uses keys to hide shots, show them one by one, and control rounds of guesses.

This computer never sends hidden values to a viewer. Only the thread of the server may use this
module.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from chrono.reports.guess_text import (
    count_of_guesses,
    dot_lines,
    guess_text,
    measured_text,
    round_lines,
    round_plot,
    round_title,
)
from chrono.safe_text import plain
from chrono.sharing.page_state import Disclosure, PageRound
from chrono.teaching.guess_rounds import (
    UNMEASURED,
    GuessKind,
    GuessRounds,
    MeasuredShot,
    Phase,
    Round,
)
from chrono.teaching.guesses import Guess

HIDING_KEYS = (
    "h  hide new shots, or show all shots",
    "r  reveal the next hidden shot, or the result of a round",
)
ROUND_KEYS = (
    "o  open a round: viewers guess the speed of the next shot",
    "e  open a round: viewers guess the ± of the next shot",
    "c  close the round",
    "n  list the new group names; press n again to show these names to all",
)


MOST_TOLD = 20
"""Largest number of network problems that the terminal shows."""


class LessonControl:
    """
    Does the actions of the teacher's keys while a session is shared with viewers.

    Parameters
    ----------
    hidden : bool, optional
        True to hide all shots, from the first shot on.
    guesses : bool, optional
        True to accept guesses.
    unit : str, optional
        Unit of speeds, one of `SPEED_UNITS`.
    decimal : str, optional
        The decimal sign of the page.

    Attributes
    ----------
    rounds : GuessRounds
    place : int
        Number of the round in this lesson; 0 before the first round.
    said : list of str
        New lines for the terminal, which `fetch_said` has not returned yet.
    """

    def __init__(
        self, hidden: bool = False, guesses: bool = False, unit: str = "m/s", decimal: str = "."
    ) -> None:
        self.rounds = GuessRounds()
        self.said: list[str] = []
        self._hides, self._shown = hidden, 0
        self._takes_guesses = guesses
        self._unit, self._decimal = unit, decimal
        self._shots = self._large = 0
        self._is_old = False
        self.place = 0
        self._measured, self._measured_shot = UNMEASURED, 0
        self._reveals_soon = False
        self._kept: list[Guess] = []
        self._unkept = False
        self._recording = ""
        self._told: set[str] = set()
        self._page_round: PageRound | None = None
        self._basis: object = None
        self._asked_names: Sequence[tuple[int, str]] = ()

    @property
    def keys(self) -> tuple[str, ...]:
        """One line of help for each key that the teacher can press."""
        return HIDING_KEYS + (ROUND_KEYS if self._takes_guesses else ())

    def disclosure(self) -> Disclosure:
        """Return which shots and which round of guesses the page may show now."""
        asked = self.rounds.now
        return Disclosure(
            self._limit(),
            self._page_round_now(asked) if asked is not None else None,
            self._takes_guesses,
            asked.shot if asked is not None else 0,
            self._large,
        )

    def note(
        self, recording: str, unit: str, shots: int, asked_shot: int, asked: MeasuredShot
    ) -> None:
        """
        Store the current state of the session.

        Parameters
        ----------
        recording : str
            Name of the recording.
        unit : str
            Unit in which the speeds are shown.
        shots : int
            Number of shots, including open shots.
        asked_shot : int
            Number of the measured shot of the round; 0 if this shot is not measured yet.
        asked : MeasuredShot
            The measured values of this shot.
        """
        if self._recording and shots != self._shots:
            self._large = 0
        now = self.rounds.now
        if now is not None and not self._recording:  # the round began before the first state
            self._is_old = now.shot <= shots
        self._recording, self._unit, self._shots = recording, unit, shots
        if self.rounds.now is not None and asked_shot == self.rounds.now.shot:
            self._measured, self._measured_shot = asked, asked_shot
            if self._reveals_soon:
                self._reveal_round(self.rounds.now)
        if now is None or now.phase != Phase.OPEN or self._is_old or shots < now.shot:
            return
        self.rounds.go_to(Phase.CLOSED)
        count = count_of_guesses(len(now.guesses))
        self.said.append(
            f"shot {now.shot} has come: the round is closed with {count}; "
            "press r to show the result"
        )

    def press_all(self, keys: str) -> None:
        """Do the actions of the pressed keys in order, and add their messages to `said`."""
        for key in keys:
            if key.isprintable():
                self.press(key)

    def press(self, key: str) -> None:
        """Do the action of the key that the teacher pressed."""
        acts = {"h": self._hide, "r": self._reveal}
        if self._takes_guesses:
            acts |= {
                "o": lambda: self._open(GuessKind.SPEED),
                "e": lambda: self._open(GuessKind.ERROR),
                "c": self._close,
                "n": self._agree,
            }
        acts.get(key.lower(), self._say_keys)()

    def tell_once(self, words: str) -> None:
        """Show a message on the terminal, but not twice and not after too many messages."""
        if words not in self._told and len(self._told) < MOST_TOLD:
            self._told.add(words)
            self.said.append(words)

    def end(self) -> None:
        """At the end of the lesson, save the guesses of a round whose result was not shown."""
        self._keep()

    def fetch_said(self) -> list[str]:
        """Return the new messages for the terminal. Each message is returned only once."""
        said, self.said = self.said, []
        return said

    def fetch_kept(self) -> list[Guess]:
        """Return the guesses that must be saved now. Each guess is returned only once."""
        kept, self._kept = self._kept, []
        return kept

    def take_guess(self, token: str, name: str, text: str) -> int:
        """
        Accept a viewer's guess, and return the viewer's number.

        Raises
        ------
        OptionError
            If `GuessRounds.take` refuses the guess.
        """
        number = self.rounds.take(token, name, text, self._unit)
        self._unkept = True
        return number

    def _limit(self) -> int | None:
        limit = self._shown if self._hides else None
        asked = self.rounds.now
        if asked is None or asked.phase == Phase.REVEALED:
            return limit
        return asked.shot - 1 if limit is None else min(limit, asked.shot - 1)

    def _say_keys(self) -> None:
        self.said += self.keys

    def _hide(self) -> None:
        if self._hides:
            self._hides = False
            waits = " except the shot that is guessed now" if self._limit() is not None else ""
            self.said.append(f"all shots are shown{waits}")
        else:
            self._hides, self._shown = True, self._shots
            self.said.append(
                f"shot {self._shots + 1} and all later shots are hidden: "
                "press r to reveal the next shot"
            )

    def _reveal(self) -> None:
        asked = self.rounds.now
        if asked is not None and asked.phase == Phase.OPEN:
            self.said.append("the round is still open: press c to close it")
        elif asked is not None and asked.phase == Phase.CLOSED:
            self._reveal_round(asked)
        elif not self._hides:
            self.said.append("no shot is hidden: press h to hide new shots")
        elif self._shown >= self._shots:
            self.said.append(f"shot {self._shots + 1} has not come yet")
        else:
            self._shown += 1
            self._large = self._shown
            left = self._shots - self._shown
            self.said.append(
                f"shot {self._shown} is shown; number of shots that are still hidden: {left}"
            )

    def _reveal_round(self, asked: Round) -> None:
        if self._measured_shot != asked.shot:
            self._reveals_soon = asked.shot <= self._shots
            soon = (
                "is being measured and will be revealed soon"
                if self._reveals_soon
                else "has not come yet"
            )
            self.said.append(f"shot {asked.shot} {soon}")
            return
        self._reveals_soon = False
        self.rounds.go_to(Phase.REVEALED)
        self._shown = max(self._shown, asked.shot)
        self._large = asked.shot
        self._keep()
        self.said += round_lines(self.rounds, self._measured, self._unit)

    def _open(self, kind: GuessKind) -> None:
        asked = self.rounds.now
        if asked is not None and asked.phase == Phase.OPEN:
            self.said.append("a round is still open: press c to close it")
            return
        if asked is not None and asked.phase == Phase.CLOSED and self._shots >= asked.shot:
            self.said.append("the result of the last round is still hidden: press r to show it")
            return
        self._keep()
        shot = (self._shown if self._hides else self._shots) + 1
        self._is_old = shot <= self._shots
        self.place += 1
        self._measured, self._measured_shot = UNMEASURED, 0
        self._reveals_soon = False
        self.rounds.open(kind, shot)
        assert self.rounds.now is not None
        self.said.append(
            f"viewers can now guess the {round_title(self.rounds.now)}; "
            "press c to close the round"
        )

    def _close(self) -> None:
        asked = self.rounds.now
        if asked is None or asked.phase != Phase.OPEN:
            self.said.append("no round is open: press o to open a round")
            return
        self.rounds.go_to(Phase.CLOSED)
        self.said.append(
            f"the round is closed with {count_of_guesses(len(asked.guesses))}; "
            "press r to show the result"
        )
        plot = round_plot(self.rounds, UNMEASURED, self._unit)
        self.said += dot_lines(plot, self._unit) if plot is not None else []

    def _agree(self) -> None:
        waiting = self.rounds.waiting
        if not waiting:
            self.said.append("no group has sent a new group name")
        elif self._asked_names == tuple(waiting.items()):
            self.rounds.agree()
            self.said.append(
                "the new group names are shown now; if more names come, press n again"
            )
        else:
            self._asked_names = tuple(waiting.items())
            self.said += [f"  {number}: {plain(name)}" for number, name in waiting.items()]
            self.said.append("press n again to show the new names on all pages")

    def _keep(self) -> None:
        if self.rounds.now is None or not self._unkept:
            return
        self._unkept = False
        time = datetime.now().astimezone().isoformat(timespec="seconds")
        self._kept += self.rounds.kept(self._recording, self._measured, time)

    def _page_round_now(self, asked: Round) -> PageRound:
        """Return the guessing round for the page; compute it again only after a change."""
        basis = (asked, self.rounds.agreed, self._measured, self._unit)
        if self._page_round is None or self._basis != basis:
            self._page_round, self._basis = self._new_page_round(asked), basis
        return self._page_round

    def _new_page_round(self, asked: Round) -> PageRound:
        unit, rounds = self._unit, self.rounds
        measured = ""
        if asked.phase == Phase.REVEALED:
            measured = self._signed(measured_text(asked, self._measured, unit))
        plot = round_plot(rounds, self._measured, unit)
        if plot is not None:
            ticks = tuple((cell, self._signed(text)) for cell, text in plot.ticks)
            plot = replace(plot, ticks=ticks)
        told = () if asked.phase == Phase.OPEN else asked.guesses
        guesses = tuple(
            (rounds.shown_name(guess), self._signed(guess_text(guess, asked.kind, unit)))
            for guess in told
        )
        return PageRound(
            self.place,
            round_title(asked),
            asked.phase.value,
            len(asked.guesses),
            measured,
            plot,
            guesses,
        )

    def _signed(self, text: str) -> str:
        return text.replace(".", self._decimal)
