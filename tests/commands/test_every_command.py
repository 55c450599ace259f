"""Every command where stream, locale, terminal, disk and names are not what one hopes for."""

import io
import json
import os
import re
import subprocess
import sys
import unicodedata
from pathlib import Path
from typing import NamedTuple

import pytest
from every_command import PRINTS, RUNS, command_names, prepare, words_of

from chrono.cli import main

POOR = {"NO_COLOR": "1", "TERM": "dumb", "COLUMNS": "60"}
FORKED_COMMANDS = Path(__file__).parents[1] / "kits" / "forked_commands.py"
C_LOCALE = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
EVIL = "\x1b[31m\r\n\x07\x9b2J\u202e=1+1"
"""Colours, a new line, a bell, the other way to begin a sequence, text from right to left."""


class Ended(NamedTuple):
    """How a command ended: exit code and the bytes on both streams."""

    code: int
    out: bytes
    err: bytes


@pytest.fixture(params=RUNS)
def name(request: pytest.FixtureRequest) -> str:
    """The name of a command."""
    return str(request.param)


def run(
    words: list[str], encoding: str, monkeypatch: pytest.MonkeyPatch, folder: Path
) -> Ended:
    """Run a command in this process on streams that carry an encoding and no other sign."""
    monkeypatch.chdir(folder)
    for variable, value in POOR.items():
        monkeypatch.setenv(variable, value)
    streams = [io.TextIOWrapper(io.BytesIO(), encoding, errors="strict") for _ in "oe"]
    monkeypatch.setattr(sys, "stdout", streams[0])
    monkeypatch.setattr(sys, "stderr", streams[1])
    monkeypatch.setattr(sys, "argv", ["chrono", *words])
    with pytest.raises(SystemExit) as end:
        main()
    written = []
    for stream in streams:
        stream.flush()
        written.append(stream.buffer.getvalue())  # type: ignore[attr-defined]
    monkeypatch.undo()
    return Ended(int(end.value.code or 0), *written)


def without_questions(text: str) -> str:
    """Return a text without the question marks that are meant: of addresses, of questions."""
    return re.sub(r"\?speedup|(?<=\w|±|-)\?(?=\s*$)", "", text, flags=re.MULTILINE)


def test_no_command_is_forgotten() -> None:
    """A new command gets its words in `every_command.RUNS`, and is run by all that is below."""
    assert set(command_names()) == set(RUNS)


def test_no_sign_ends_a_command_on_a_stream_that_cannot_carry_it(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Code page 1252 has ± and no √, θ or Braille."""
    words = words_of(name, prepare(tmp_path))
    ended = run(words, "cp1252", monkeypatch, tmp_path)
    assert ended.code in RUNS[name].codes, ended.err
    assert bool(ended.out) == (name in PRINTS), ended.err
    text = (ended.out + ended.err).decode("cp1252")
    assert "Traceback" not in text
    assert "\x1b" not in text, "no colour was asked for"
    assert "?" not in without_questions(text), "a sign has no stand-in"


@pytest.fixture(name="ended_poorly", scope="module")
def _ended_poorly(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Ended]:
    """How each command ended in a process of its own, in the poorest of all environments."""
    told, streams = [], tmp_path_factory.mktemp("streams")
    for name in RUNS:
        folder = tmp_path_factory.mktemp("poor")
        words = words_of(name, prepare(folder))
        told.append(json.dumps({"name": name, "words": words, "folder": str(folder)}))
    done = subprocess.run(
        [sys.executable, FORKED_COMMANDS, streams],
        input="\n".join(told),
        env=os.environ | POOR | C_LOCALE,
        stdout=subprocess.PIPE,
        text=True,
        timeout=300,
        check=True,
    )
    codes = {each["name"]: each["code"] for each in map(json.loads, done.stdout.splitlines())}
    assert set(codes) == set(RUNS)
    return {
        name: Ended(code, *((streams / f"{name}.{end}").read_bytes() for end in ("out", "err")))
        for name, code in codes.items()
    }


def test_every_command_runs_where_locale_and_stream_are_as_poor_as_can_be(
    name: str, ended_poorly: dict[str, Ended]
) -> None:
    ended = ended_poorly[name]
    assert ended.code in RUNS[name].codes, ended.err
    assert b"Traceback" not in ended.err
    text = (ended.out + ended.err).decode("ascii")
    assert bool(ended.out) == (name in PRINTS), text
    assert "?" not in without_questions(text), "a sign has no stand-in"


def test_every_command_explains_itself_there(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ended = run([*name.split(), "--help"], "ascii", monkeypatch, tmp_path)
    assert ended.code == 0
    assert ended.out.decode("ascii").startswith("Usage: chrono " + name)


def test_names_of_files_do_nothing_to_the_terminal(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = words_of(name, prepare(tmp_path, EVIL))
    ended = run(words, "utf-8", monkeypatch, tmp_path)
    text = (ended.out + ended.err).decode()
    assert ended.code in RUNS[name].codes, text
    # Lines end in \n, those of CSV in \r\n.
    obeyed = {c for c in text if unicodedata.category(c) in ("Cc", "Cf")} - {"\n"}
    assert not obeyed, text


def test_results_that_nobody_takes_are_one_line(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    words = words_of(name, prepare(tmp_path))
    heard = io.TextIOWrapper(io.BytesIO(), "utf-8")
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        monkeypatch.setattr(sys, "stdout", full)
        monkeypatch.setattr(sys, "stderr", heard)
        monkeypatch.setattr(sys, "argv", ["chrono", *words])
        with pytest.raises(SystemExit) as end:
            main()
        monkeypatch.undo()
    heard.flush()
    text = heard.buffer.getvalue().decode()  # type: ignore[attr-defined]
    assert "Traceback" not in text
    if name in PRINTS:
        assert end.value.code == 1, text
        assert "No space left" in text
    else:
        assert end.value.code in RUNS[name].codes, text
