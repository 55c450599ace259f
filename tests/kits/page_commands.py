"""The commands that a Markdown page shows, run as they stand in a folder of their own.

Ports of the pages are virtual boards here; commands that open a screen print instead.
"""

import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
from every_command import prepare
from passing import make_beams, record_rods

from chrono.rigs.starter_rig import starter_text

RECORDINGS = Path(__file__).parents[2] / "recordings"
PORT = "/dev/ttyUSB0"
PORTS = PORT, "PORT"
BOARD = "virtual://two-bands?speedup=50"
PRINTS = {
    "demo": "--no-dashboard --shots 20",
    "clock": "--no-dashboard --shots 3",
    "replay": "--no-dashboard --at-once",
    "lab": "--no-dashboard",
    "check": "--seconds 1",
}
"""What is added to a command that would open a screen or wait, unless it is there."""
ASKS = "--guess", "--watch"
"""Options with which a command waits for a person."""
INSTALLING = (
    "python3 -m venv .venv",
    ". .venv/bin/activate",
    'pip install -e ".[report]"',
    "pip install -e .",
)
"""Commands of a page that prepare what the tests have."""
SAME_BUT_SLOW = {"--speedup 5 ": "--speedup 100 ", "--pace 10": ""}


class Shown(NamedTuple):
    """A block of commands and the output shown below it, empty if there is none."""

    commands: list[str]
    output: str


def shown(page: str) -> Iterator[Shown]:
    """Yield the blocks of commands of a page."""
    pattern = r"^```sh\n(.*?)^```\n(?:(?:(?!```)[^\n]*\n){0,4}?```text\n(.*?)^```)?"
    for commands, output in re.findall(pattern, page, re.DOTALL | re.MULTILINE):
        lines = (line.partition("  #")[0].strip() for line in commands.splitlines())
        yield Shown([line for line in lines if line], output)


def words_of(command: str) -> list[str]:
    """Return the words of a command, which prints and does not wait."""
    for slow, fast in SAME_BUT_SLOW.items():
        command = command.replace(slow, fast)
    name, *words = shlex.split(command)
    assert name == "chrono", command
    given = PRINTS.get(words[0], "").split()
    words = [word for word in words if word not in ASKS]
    if words[0] == "check" and words[1] not in PORTS:
        given = []
    added = []
    for place, word in enumerate(given):
        if word.startswith("--") and word not in words:
            value = given[place + 1 : place + 2]
            added += [word, *(each for each in value if not each.startswith("--"))]
    return [BOARD if word in PORTS else word for word in (*words, *added)]


def agrees(output: str, pattern: str) -> bool:
    """Whether an output is what a page shows; a line of `…` there stands for any lines."""
    parts = pattern.split("…\n")
    at = 0
    for number, part in enumerate(parts):
        found = output.find(part, at)
        if found < 0 or (number == 0 and found > 0):
            return False
        at = found + len(part)
    return parts[-1] == "" or at == len(output)


def fill(folder: Path, page: str) -> None:
    """Put the files there that a page's commands read and do not make."""
    fill_for(folder, [command for block in shown(page) for command in block.commands])


def fill_for(folder: Path, commands: list[str]) -> None:
    """Put the files there that commands read and do not make."""
    page = "\n".join(commands)
    bands = RECORDINGS / "two-and-three-bands.tsv"
    for name in ("monday", "tuesday"):
        if f"--recording {name}.tsv" not in page:
            shutil.copy(bands, folder / f"{name}.tsv")
    if "rig new rig.toml" not in page:
        rig = starter_text(board="uno").replace('"2 m/s"', '"0.2 m/s"')  # as for rods
        (folder / "rig.toml").write_text(rig, encoding="utf-8")
    names = prepare(folder, "-made")
    for name in ("before", "after", "drop"):
        target = folder / ("drops.tsv" if name == "drop" else f"{name}.tsv")
        if f"--recording {target.name}" not in page:
            shutil.copy(folder / names[name], target)
    rng = np.random.default_rng(5)
    beams = make_beams(rng, 0.3)
    for name, length_m in (("short", 0.04), ("long", 0.08)):
        record_rods(folder / f"{name}.tsv", rng, beams, length_m)
    season = folder / "2026"
    for day in ("april", "may"):
        (season / day).mkdir(parents=True)
        shutil.copy(bands, season / day / "monday.tsv")
        shutil.copy(RECORDINGS / "noisy-hall.tsv", season / day / "hall.tsv")
