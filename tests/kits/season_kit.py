"""Recordings in number, and work on them that other processes can import."""

import os
import shutil
from dataclasses import dataclass
from pathlib import Path

from chrono.errors import RecordingError
from chrono.season.recording_finder import RecordingSource

RECORDINGS = Path(__file__).parents[2] / "recordings"
BANDS = RECORDINGS / "two-and-three-bands.tsv"
HALL = RECORDINGS / "noisy-hall.tsv"
PLAIN = RECORDINGS / "plain-lines-4us.tsv"


def season(folder: Path, days: int = 2) -> Path:
    """Fill a folder with days of three recordings each, of the same names every day."""
    for day in range(days):
        place = folder / f"day-{day}"
        place.mkdir(parents=True)
        for source in (BANDS, HALL, PLAIN):
            shutil.copy(source, place / source.name)
    return folder


def many_links(folder: Path, number: int, source: Path = HALL) -> Path:
    """Fill a folder with one recording under many names."""
    folder.mkdir(parents=True, exist_ok=True)
    first = folder / "0000.tsv"
    shutil.copy(source, first)
    for place in range(1, number):
        os.link(first, folder / f"{place:04}.tsv")
    return folder


@dataclass(frozen=True)
class TellProcess:
    """Gives the number of the process that did the work, and the recording's name."""

    def __call__(
        self, path: Path, source: RecordingSource
    ) -> tuple[tuple[int, str], list[str]]:
        return (os.getpid(), source.name), [f"{path}: seen"]


@dataclass(frozen=True)
class EndProcess:
    """Ends the process that does the work, as the system does where memory runs out."""

    def __call__(self, path: Path, source: RecordingSource) -> tuple[None, list[str]]:
        os._exit(9)


@dataclass(frozen=True)
class Refuse:
    """Refuses recordings of one name."""

    refused: str

    def __call__(self, path: Path, source: RecordingSource) -> tuple[str, list[str]]:
        if source.name == self.refused:
            raise RecordingError("is refused", where=str(path), hint="choose another")
        return path.read_text("utf-8"), []
