"""The guide: short pages, whose commands run and whose outputs are those that come."""

import io
import re
import sys
import threading
from collections.abc import Iterable
from pathlib import Path

import pytest
from _pytest.mark import ParameterSet
from command_kit import Outcome, is_one_clear_complaint
from every_command import command_names
from hand_board import CLOCK_HZ, HandBoard, hand_run
from page_commands import INSTALLING, PORT, agrees, fill, fill_for, shown, words_of
from pty_board import PtyBoard
from reference_pages import pages
from sharing_process import Shared

from chrono.cautions import CAUTION_LINE
from chrono.commands.guide_command import REFERENCE, guide_pages, wrapped
from chrono.commands.help_layout import EXAMPLES, JOBS, KINDS
from chrono.dashboard.actions import ACTION
from chrono.virtual.scenarios import parse_play
from chrono.virtual.virtual_board import true_rig

HOUSE = Path(__file__).parents[2]
PAGES = guide_pages()
TASKS = [topic for topic in PAGES if topic not in REFERENCE]
MOST_WORDS = {"first-shot": 1500}
IN_REAL_TIME = {"first-session", "first-shot", "demo", "comparing", "calibrating"}
"""Pages and commands whose examples take about ten seconds and more."""


def with_long_ones(names: Iterable[str]) -> list[ParameterSet]:
    """Return names as parameters, marked as long if they play in real time."""
    return [
        pytest.param(name, marks=[pytest.mark.long] if name in IN_REAL_TIME else [])
        for name in names
    ]


@pytest.fixture(autouse=True)
def _nobody_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let questions find an empty standard input; pytest's own one raises an error."""
    monkeypatch.setattr(sys, "stdin", io.StringIO())


@pytest.mark.parametrize("topic", TASKS)
def test_a_page_is_short(topic: str) -> None:
    assert len(PAGES[topic].text.split()) <= MOST_WORDS.get(topic, 500)


@pytest.mark.parametrize("topic", with_long_ones(TASKS))
def test_the_commands_of_a_page_run_and_give_what_it_shows(
    topic: str, chrono, tmp_path: Path
) -> None:
    page = PAGES[topic].text
    fill(tmp_path, page)
    for block in shown(page):
        for command in block.commands:
            if command not in INSTALLING:
                outcome = run(command, chrono, tmp_path)
        if block.output:
            assert agrees(outcome.out, block.output), f"{block.output}\nbut\n{outcome.out}"


@pytest.mark.long
@pytest.mark.parametrize("name", with_long_ones(EXAMPLES))
def test_the_examples_of_a_command_run(name: str, chrono, tmp_path: Path) -> None:
    fill_for(tmp_path, list(EXAMPLES[name]))
    for command in EXAMPLES[name]:
        assert command.startswith(f"chrono {name}")
        run(command, chrono, tmp_path)


def run(command: str, chrono, folder: Path) -> Outcome | None:
    """Run a command as a page or help shows it."""
    if command.startswith("chrono share"):
        return _served(command)
    if "--resume" in command:
        return _resumed(command, chrono, folder)
    outcome = chrono(*words_of(command))
    assert outcome.code in (0, 1), f"{command}: {outcome.err}"
    assert "Traceback" not in outcome.err
    return outcome


def test_every_command_has_two_examples_and_a_job() -> None:
    assert sorted(EXAMPLES) == sorted(command_names())
    assert all(len(set(two)) == 2 for two in EXAMPLES.values())
    first_words = sorted({name.split()[0] for name in command_names()})
    assert sorted(name for names in JOBS.values() for name in names) == first_words


@pytest.mark.parametrize("columns", ["80", "50"])
def test_help_groups_commands_by_job_and_cuts_no_line(chrono, monkeypatch, columns) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    text = chrono("--help").out
    assert [line[:-1] for line in text.splitlines() if re.fullmatch(r"\S.*:", line)] == [
        "Options",
        *JOBS,
    ]
    assert "..." not in text.partition("Clock:")[2]
    assert "Commands:" in chrono("calibrate", "--help").out


def test_help_groups_options_by_kind_and_ends_with_the_examples(chrono) -> None:
    text = chrono("flight", "--help").out
    titles = [line[:-1] for line in text.splitlines() if re.fullmatch(r"\S.*:", line)]
    kinds = ["Results", "Rig and clock", "Body and air"]
    assert titles == ["Arguments", "Options", *kinds, "Examples"]
    assert text.index("--angle") < text.index("Results:") < text.index("--json")
    assert text.index("Body and air:") < text.index("--mass") < text.index("Examples:")
    assert text.splitlines()[-1] == f"  {EXAMPLES['flight'][1]}"


def test_every_kind_of_option_names_options_that_there_are(chrono) -> None:
    told = PAGES["commands"].text
    for names in KINDS.values():
        for name in names:
            assert f"`{name} " in told or f"`{name}`" in told or f", {name} " in told, name


def _served(command: str) -> None:
    """Share until the page is there."""
    sharing = Shared(*command.split()[2:])
    sharing.end()
    assert sharing.process.returncode == 0


def _resumed(command: str, chrono, folder: Path) -> None:
    """Go on in a recording that a board made, by a board that begins anew."""
    recording = folder / command.split()[-1]
    recording.unlink()
    first, run = hand_run(recording)
    first.shoot_and_wait(30.0, 31.0)
    run.close()
    before = recording.read_bytes()
    board, lines = HandBoard(), []
    board.raw = lines.append
    board.line(f"H 1 {CLOCK_HZ} 32 hand 1.0")
    board.shoot_and_wait(33.0, 34.0)
    with PtyBoard(folder / "board") as port:

        def speak() -> None:
            port.heard()
            port.send("".join(f"{line}\n" for line in lines).encode())

        speaker = threading.Thread(target=speak)
        speaker.start()
        words = command.replace(PORT, str(folder / "board")).split()[1:]
        outcome = chrono(*words, "--no-dashboard", "--shots", "1")
        speaker.join()
    assert outcome.code == 0, outcome.err
    assert recording.read_bytes().startswith(before)


def test_the_list_names_each_page_and_a_page_is_printed_as_it_is(chrono) -> None:
    listed = chrono("guide")
    assert [line.split()[0] for line in listed.out.splitlines()] == list(PAGES)
    assert max(map(len, listed.out.splitlines())) <= 80
    for topic, page in PAGES.items():
        outcome = chrono("guide", topic)
        assert (outcome.code, outcome.out) == (0, page.text)


@pytest.mark.parametrize("topic", PAGES)
def test_a_terminal_gets_sentences_wrapped_and_commands_whole(topic: str) -> None:
    text = PAGES[topic].text
    lines = list(wrapped(text, 60))
    assert " ".join(" ".join(lines).split()) == " ".join(text.split())
    for block in shown(text):
        assert set(block.commands) <= {line.partition("  #")[0].strip() for line in lines}
    outside = re.sub(r"^```.*?^```$", "", "\n".join(lines), flags=re.DOTALL | re.MULTILINE)
    long = [line for line in outside.splitlines() if len(line) > 60]
    assert all(line.startswith(("|", "![")) or " " not in line.strip() for line in long), long


def test_a_page_that_is_not_there_is_told_with_those_that_are(chrono) -> None:
    outcome = chrono("guide", "weather")
    is_one_clear_complaint(outcome, "no page 'weather'", "first-session", "safety")


def test_every_page_that_is_named_is_there() -> None:
    for page in PAGES.values():
        for named in re.findall(r"`chrono guide (\S+)`", page.text):
            assert named in PAGES, f"{page.topic}: {named}"
        for link in re.findall(r"\]\(([^)#\s]+)\)", page.text):
            assert "://" in link or (HOUSE / "chrono/guide" / link).exists(), link
        for path in re.findall(r"(?:firmware_notes|recordings)/[\w.]*", page.text):
            assert (HOUSE / path).exists(), f"{page.topic}: {path}"


def test_keys_that_a_page_names_are_those_of_the_dashboard() -> None:
    meant = {
        "name the setup": "new_setup",
        "all keys": "help",
        "in very large digits": "far",
        "the beams": "beams",
        "the session": "quit",
    }
    told = [
        (topic, key, words, name)
        for topic in TASKS
        for key, words in re.findall(r"`(.)`([^.`]*)", PAGES[topic].text)
        for phrase, name in meant.items()
        if phrase in words
    ]
    assert {name for *_, name in told} == set(meant.values())
    for topic, key, words, name in told:
        assert key == ACTION[name].sign, f"{topic}: `{key}`{words}"


def test_commands_within_sentences_have_names_and_options_that_there_are() -> None:
    parts = PAGES["commands"].text.split("\n## chrono ")[1:]
    options = {name: set(re.findall(r"--[a-z-]+", part)) for name, part in _named(parts)}
    for page in PAGES.values():
        for words in re.findall(r"`chrono ([^`]+)`", page.text):
            one, *rest = words.split()
            name = f"{one} {rest[0]}" if one in ("rig", "calibrate") and rest else one
            if name in ("COMMAND", "--help"):
                continue
            assert name in options, f"{page.topic}: {words}"
            assert set(re.findall(r"--[a-z-]+", words)) <= options[name], words


def _named(parts: list[str]) -> list[tuple[str, str]]:
    return [(part.partition("\n")[0], part) for part in parts]


def test_columns_flags_and_options_are_those_of_the_code() -> None:
    """If this fails: python tests/kits/reference_pages.py"""
    assert set(pages()) == set(REFERENCE)
    for topic, text in pages().items():
        assert PAGES[topic].text == text
    told = re.findall(r"^## chrono (.*)$", PAGES["commands"].text, re.MULTILINE)
    assert sorted(told) == sorted(command_names())
    for option in ("--as-if-tick", "--height-tolerance", "--web-port", "-o, --output"):
        assert f"`{option}" in PAGES["commands"].text


@pytest.mark.parametrize("topic", ["safety", "clocking", "class", "first-session"])
def test_a_page_that_leads_to_a_shot_says_what_is_dangerous(topic: str) -> None:
    text = PAGES[topic].text
    assert "`chrono guide safety`" in text or "# Safety" in text
    if topic == "safety":
        for words in ("eye protection", "line of fire", "backstop", "ocal codes", "competent"):
            assert words in text
        assert "backstop" in CAUTION_LINE


def test_what_is_shown_is_compared() -> None:
    assert agrees("a\nb\nc\n", "a\n…\nc\n")
    assert agrees("a\nb\nc\n", "…\nb\n…\n")
    assert not agrees("a\nb\nc\n", "b\n…\n")
    assert not agrees("a\nb\nc\n", "a\n…\nb\n")
    assert not agrees("a\nb\n", "…\nc\n…\n")


def test_the_spacing_that_calibrating_finds_is_that_of_the_virtual_gates() -> None:
    play = parse_play("virtual://drop-test")
    true_mm = true_rig(play.scenario, play.seed).spacing_m * 1e3
    page = PAGES["calibrating"].text
    assert f"their true effective spacing is {true_mm:.2f} mm" in page
    found = re.search(r"effective spacing ([\d.]+) ± ([\d.]+) mm", page)
    assert abs(float(found[1]) - true_mm) < float(found[2])
