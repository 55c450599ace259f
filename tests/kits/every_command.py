"""Every command with words that let it do its work, and the names of all there are."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import typer

from chrono.cli import app
from chrono.rigs.rig_file import parse_rig, rig_record
from chrono.teaching.guesses import Guess, keep_guess
from chrono.virtual.scenarios import parse_play, rig_text
from chrono.virtual.virtual_board import simulate_recording

RECORDINGS = Path(__file__).parents[2] / "recordings"
RIG = 'name = "Tore ± Küche"\n[gates]\nspacing = "300 mm"\n'


class Run(NamedTuple):
    """Words after a command's name, and the exit codes with which it may end then."""

    words: str
    codes: tuple[int, ...] = (0,)


RUNS = {
    "demo": Run("--no-dashboard --shots 2 --speedup 50"),
    "clock": Run(
        "virtual://two-bands?speedup=50 --no-dashboard --shots 2 --recording {new}.tsv"
    ),
    "replay": Run("{bands} --at-once --no-dashboard"),
    "export": Run("{bands} -o {new}.csv"),
    "summary": Run("{bands}"),
    "compare": Run("{bands}"),
    "report": Run("{bands} -o {new}.html"),
    "picture": Run("{bands} -o {new}.svg"),
    "boards": Run(""),
    "budget": Run("--rig {rig} --speed 45m/s"),
    "plan": Run("--speed 45m/s --within 0.5%"),
    "check": Run("{bands}"),
    "share": Run("{gone}/monday.tsv", (2,)),
    "fall": Run("--height 2m --mass 24g --diameter 40mm"),
    "flight": Run("{before} --angle 30deg"),
    "stop": Run("{bands} --distance 20mm"),
    "energy": Run("--speed 22m/s --mass 24g --volume 0.5L --gauge 1bar"),
    "whatif": Run("{bands} --as-if-tick 4us"),
    "guide": Run("safety"),
    "lab": Run("{bands} --tick 4us"),
    "guesses": Run("{guesses}"),
    "worksheet": Run("{bands} -o {new}.html"),
    "list": Run("{folder}"),
    "calibrate clock": Run("{bands} --rig {rig} --dry-run"),
    "calibrate swap": Run("{before} {after} --left-exchanged --dry-run"),
    "calibrate drop": Run("{drop} --height 500mm --dry-run", (1,)),
    "calibrate rods": Run("{bands} {before} --short 40mm --long 80mm --dry-run", (2,)),
    "rig new": Run("{new}.toml"),
    "rig check": Run("{rig}"),
    "rig correct": Run("{before} --set gates.slope=down --yes"),
}
"""Names in braces are those of `prepare`."""

PRINTS = set(RUNS) - {"export", "report", "picture", "share", "worksheet", "calibrate rods"}
"""Commands whose run puts results on standard output."""


def command_names() -> list[str]:
    """Return the name of every command that the program has."""

    def names(command: Any, path: tuple[str, ...]) -> Iterator[str]:
        inner = getattr(command, "commands", None)
        if inner is None:
            yield " ".join(path)
        for name, each in (inner or {}).items():
            yield from names(each, (*path, name))

    return list(names(typer.main.get_command(app), ()))


def prepare(folder: Path, mark: str = "") -> dict[str, str]:
    """Put the files there that commands read; `mark` is a part of each one's name."""
    names = {name: f"{name}{mark}.tsv" for name in ("bands", "drop", "before", "after")}
    shutil.copy(RECORDINGS / "two-and-three-bands.tsv", folder / names["bands"])
    for name, address in (
        ("drop", "virtual://drop-test?shots=10"),
        ("before", "virtual://swap-before?shots=6"),
        ("after", "virtual://swap-after?shots=6"),
    ):
        play = parse_play(address)
        rig = rig_record(parse_rig(rig_text(play.scenario), name))
        rows = simulate_recording(play, rig=rig, file={"format": 1, "start": ""})
        (folder / names[name]).write_bytes(rows)
    (folder / f"rig{mark}.toml").write_text(RIG, encoding="utf-8")
    guesses = f"guessed{mark}.guesses.jsonl"
    keep_guess(folder / guesses, Guess("Tüte ±", 0.3, 0.1, 22.0))
    return names | {
        "guesses": guesses,
        "rig": f"rig{mark}.toml",
        "new": f"new{mark}",
        "gone": f"gone{mark}.tsv",
        "folder": ".",
    }


def words_of(name: str, names: dict[str, str]) -> list[str]:
    """Return all words of a command's run."""
    return [*name.split(), *(word.format(**names) for word in RUNS[name].words.split())]
