"""Read and write the file with the pupils' guesses of the speed of a shot, or of its ±.

The file is in the folder of the recording. Each line is one complete JSON object. The program
only appends lines. Keys: `format` (1), `time` (ISO 8601 with offset), `who`, `recording` and
`shot` (null in the lab without a recording), `speed_mps`, `guess_mps`, `U95_mps` (null if the
number is not known, because the shot never came), `kind` (``"error"`` or ``"speed"``; without
this key, the kind is an error), `settings` (settings of the error lab in SI units, with the
names of `Bench`; empty outside the lab).
"""

import json
import math
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from chrono.errors import OptionError, RecordingError, UnitError
from chrono.safe_text import plain
from chrono.teaching.lab_bench import VALUES, Bench
from chrono.units import parse_quantity

SUFFIX = ".guesses.jsonl"
FORMAT = 1
LONGEST_NAME = 40
ERROR, SPEED = "error", "speed"
NUMBERS = ("guess_mps", "U95_mps", "speed_mps")


@dataclass(frozen=True)
class Guess:
    """
    One guess of a group, and the computed values with which the guess is compared.

    Attributes
    ----------
    who : str
        The person or group that guessed; may be empty.
    guess_mps, U95_mps, speed_mps : float
        The guessed ± or speed, the computed ±, and the speed [m/s]. NaN for a number that is
        not known.
    recording : str or None
        Name of the recording; None in a lab without a recording.
    shot : int or None
        Number of the shot; None without a shot.
    settings : dict
        Settings of the error lab in SI units.
    time : str
        Time of the guess in ISO 8601.
    kind : str
        ``"error"`` for a guess of the ±, ``"speed"`` for a guess of the speed.
    """

    who: str
    guess_mps: float
    U95_mps: float
    speed_mps: float
    recording: str | None = None
    shot: int | None = None
    settings: dict[str, Any] = field(default_factory=dict)
    time: str = ""
    kind: str = ERROR

    @property
    def ratio(self) -> float:
        """The guess divided by the computed ± or by the computed speed."""
        true = self.U95_mps if self.kind == ERROR else self.speed_mps
        if math.isnan(true):
            return math.nan
        return self.guess_mps / true if true > 0 else math.inf


def read_estimate(text: str, speed_mps: float) -> tuple[str, float]:
    """
    Read an estimate of the ± such as ``"0.3 m/s"``, ``"2 %"`` or ``"group 3: 0.3 m/s"``.

    Parameters
    ----------
    text : str
    speed_mps : float
        Speed [m/s]. An estimate in per cent is a part of this speed.

    Returns
    -------
    who : str
        The text before the colon; empty without a colon.
    guess_mps : float
        The estimated ± [m/s].

    Raises
    ------
    OptionError
        If the text is not an estimate.
    """
    before, colon, value = text.rpartition(":")
    who = plain(before.strip())[:LONGEST_NAME] if colon else ""
    value = value.strip().removeprefix("±").strip().replace(",", ".")
    try:
        guess_mps = parse_quantity(value, "m/s")
    except UnitError:
        guess_mps = _part(value) * speed_mps
    if not 0 < guess_mps < 1e6:
        raise _no_estimate(value)
    return who, guess_mps


def _part(text: str) -> float:
    try:
        part = parse_quantity(text, "")
    except UnitError:
        raise _no_estimate(text) from None
    if text[-1:].isdigit():
        raise _no_estimate(text)
    return part


def _no_estimate(text: str) -> OptionError:
    return OptionError(
        f"{plain(text)[:40]!r} is not an estimate of a ±",
        hint='write an estimate such as "0.3 m/s" or "2 %"; for a group, write "group 3: 2 %"',
    )


def settings_of(bench: Bench) -> dict[str, Any]:
    """Return the settings of the error lab, as they are saved with a guess."""
    values = {name: getattr(bench, name) for name in VALUES}
    return values | {"edges": bench.edges.name.lower()}


def guesses_path(recording: Path | None, folder: Path) -> Path:
    """Return the path of the file with guesses; without a recording, a path in `folder`."""
    if recording is None:
        return folder / f"lab{SUFFIX}"
    return recording.with_name(recording.name.removesuffix(".tsv") + SUFFIX)


def keep_guess(path: Path, *guesses: Guess) -> None:
    """
    Append guesses to the file of guesses.

    Raises
    ------
    RecordingError
        If the file cannot be written. Only the guesses are then lost.
    """
    line = "".join(f"{json.dumps(_data_of(guess))}\n" for guess in guesses)
    try:
        with path.open("ab") as file:
            if file.tell() and not _ends_whole(path):
                line = f"\n{line}"
            file.write(line.encode())
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise RecordingError(
            f"your estimate was not saved: {error.strerror}",
            where=str(path),
            hint="make space on the disk; without space, only this estimate is lost",
        ) from error


def _data_of(guess: Guess) -> dict[str, Any]:
    data = {"format": FORMAT, **asdict(guess)}
    return data | {name: None for name in NUMBERS if not math.isfinite(data[name])}


def _ends_whole(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1) == b"\n"


def read_guesses(path: Path) -> tuple[list[Guess], list[int]]:
    """
    Read a file with guesses.

    Return the guesses, and the numbers of wrong lines (from 1).

    Raises
    ------
    RecordingError
        If the file cannot be read.
    """
    try:
        lines = path.read_bytes().split(b"\n")
    except OSError as error:
        raise RecordingError(
            f"the file cannot be read: {error.strerror}", where=str(path)
        ) from error
    found, others = list[Guess](), list[int]()
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            found.append(_guess_of(json.loads(line)))
        except (ValueError, OverflowError, TypeError, KeyError, AttributeError):
            others.append(number)
    return found, others


def _guess_of(data: dict[str, Any]) -> Guess:
    if data["format"] != FORMAT:
        raise ValueError("the format is unknown")
    shot, recording = data["shot"], data["recording"]
    numbers = [_number(data[name]) for name in NUMBERS]
    kind = str(data.get("kind", ERROR))
    if kind not in (ERROR, SPEED):
        raise ValueError("the program does not know this kind of guess")
    return Guess(
        who=plain(str(data["who"]))[:LONGEST_NAME],
        guess_mps=numbers[0],
        U95_mps=numbers[1],
        speed_mps=numbers[2],
        recording=None if recording is None else plain(str(recording)),
        shot=None if shot is None else int(shot),
        settings=dict(data["settings"]),
        time=plain(str(data["time"])),
        kind=kind,
    )


def _number(value: Any) -> float:
    if value is None:
        return math.nan
    if not math.isfinite(number := float(value)):
        raise ValueError("the number is infinite or NaN")
    return number


def files_of(paths: Sequence[Path]) -> list[Path]:
    """
    Find all files with guesses that belong to the given files, folders and recordings.

    Raises
    ------
    OptionError
        If no file with guesses belongs to a path.
    """
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            here = sorted(path.glob(f"*{SUFFIX}"))
        else:
            beside = path if path.name.endswith(SUFFIX) else guesses_path(path, path.parent)
            here = [beside] if beside.is_file() else []
        if not here:
            raise OptionError(
                "there are no guesses",
                where=str(path),
                hint="guess with chrono lab --guess, then give the recording or its folder",
            )
        found += [file for file in here if file not in found]
    return found
