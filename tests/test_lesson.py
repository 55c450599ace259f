"""The teacher's guide: every command in it runs, and says what the guide says it says."""

import html
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from browser_kit import lay_out, printed_pages
from waiting import patience

from chrono.cautions import CAUTION_LINE
from chrono.errors import OptionError
from chrono.session.recording_loader import read_recording
from chrono.sharing.lesson_control import LessonControl
from chrono.sharing.web_address import network_address
from chrono.units import format_speed

HOUSE = Path(__file__).parents[1]
GUIDE = HOUSE / "recordings" / "lesson.md"
TEXT = GUIDE.read_text("utf-8")
PORT = "virtual://class-afternoon"
"""What the guide names for those who have no gates."""
BLOCKS = re.compile(r"```(sh|text)\n(.*?)```", re.DOTALL)

Step = tuple[list[str], list[str]]


def steps() -> list[Step]:
    """Return the words of each command in the guide's order, and the lines it is to print."""
    found: list[Step] = []
    for kind, block in BLOCKS.findall(TEXT):
        if kind == "sh":
            found += [(shlex.split(line), []) for line in block.splitlines()]
        else:
            found[-1][1].extend(block.splitlines())
    return found


STEPS = steps()


def test_the_guide_has_commands_and_what_some_of_them_say() -> None:
    assert len(STEPS) >= 12
    assert all(words[0] == "chrono" for words, _ in STEPS)
    # What summary and compare say stands in one block, below the second of them.
    assert sum(bool(lines) for _, lines in STEPS) >= 4
    assert {words[1] for words, _ in STEPS} >= {
        "check", "clock", "share", "budget", "whatif", "summary", "compare", "worksheet", "demo"
    }  # fmt: skip


def test_no_command_stands_where_it_is_not_run() -> None:
    inline = re.findall(r"`chrono ([^`]+)`", BLOCKS.sub("", TEXT))
    run = [" ".join(words[1:]) for words, _ in STEPS]
    others = [command for command in inline if not any(r.startswith(command) for r in run)]
    assert others == ["rig new rig.toml --scenario class-afternoon", "share --lan"]


@pytest.mark.long
@pytest.mark.skipif(os.name != "posix", reason="sends a signal to end what goes on")
def test_every_command_runs_and_says_what_the_guide_says(chrono, tmp_path) -> None:
    (tmp_path / "recordings").mkdir()
    for file in (*GUIDE.parent.glob("*.tsv"), GUIDE.parent / "answers.txt"):
        shutil.copy(file, tmp_path / "recordings")
    assert chrono("rig", "new", "rig.toml", "--scenario", "class-afternoon").code == 0
    said: list[str] = []
    for words, lines in STEPS:
        if words[1] in ENDLESS:
            go_on_for_a_while(words[1:], tmp_path)
            continue
        given = [f"{PORT}?speedup=20" if word == "PORT" else word for word in words[1:]]
        outcome = chrono(*given)
        assert outcome.code == 0, (given, outcome.err)
        said += [" ".join(line.split()) for line in outcome.out.splitlines()]
        for line in lines:
            found = [True for one in said if line in re.sub(r" [█▏▎▍▌▋▊▉]+$", "", one)]
            assert found, (words, line)
    assert (tmp_path / "monday.tsv").stat().st_size > 5000
    assert (tmp_path / "sheet-key.html").is_file()


ENDLESS = {"clock": 22, "demo": 2, "share": 0}
"""Commands that go on until ctrl+c, and after how many shots that is given here."""


def go_on_for_a_while(words: list[str], folder: Path) -> None:
    """Run a command that ends with ctrl+c, and end it so when it has done something."""
    shots = ENDLESS[words[0]]
    given = [f"{PORT}?speedup=20" if word == "PORT" else word for word in words]
    if words[0] == "share":
        given += ["--web-port", "0"]
        if "--lan" in given and not in_a_network():
            given.remove("--lan")
    running = subprocess.Popen(
        [sys.executable, "-m", "chrono", *given],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(HOUSE)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )
    with running, patience(running):
        if shots:
            assert all(running.stdout.readline() for _ in range(shots)), words
        else:
            while "press ctrl+c to stop" not in (line := running.stderr.readline()):
                assert line, words
        running.send_signal(signal.SIGINT)
        running.stdout.read()
        err = running.stderr.read()
    assert running.returncode == 0, (words, err)


def in_a_network() -> bool:
    try:
        network_address()
    except OptionError:
        return False
    return True


def test_the_arithmetic_on_the_board_is_right() -> None:
    assert "0.300 m / 0.013 801 4 s = 21.74 m/s" in TEXT
    assert f"{0.300 / 0.0138014:.2f}" == "21.74"
    assert "300.5 mm" in TEXT
    assert f"{0.3005 / 0.0138014:.2f} m/s" == "21.77 m/s"
    assert "21.77 m/s" in TEXT
    assert f"{0.300 / (0.0138014 + 62.5e-9):.2f}" == "21.74"
    assert f"{100 * 5 / 300:.1f} %" in TEXT
    steps_mps = [f"{0.300 / (n * 1e-3):.1f}" for n in (14, 13.5, 13)]
    assert ", ".join(steps_mps) in TEXT


def test_two_boards_heard_the_same_shot() -> None:
    """The sketch's row and the fine one's, by the firmware's clock and the sketch's."""
    shown = []
    for name in ("plain-lines-4us.tsv", "same-shots-fine.tsv"):
        session = read_recording(GUIDE.parent / name).session
        (row,) = session.rows_of(slice(0, 1))
        shown.append((row.speed_mps, format_speed(row.speed_mps, row.U95_mps, "m/s")))
    assert shown[0][1] == "21.85 ± 0.22 m/s"
    assert f"The sketch itself says {shown[0][1]}" in TEXT
    assert 100 * (1 - shown[0][0] / shown[1][0]) == pytest.approx(0.4, abs=0.05)


def test_its_minutes_add_up_to_a_lesson() -> None:
    rows = re.findall(r"\| (\d+)–(\d+) \| ", TEXT)
    ends = [0, *(int(end) for _, end in rows)]
    assert [int(begin) for begin, _ in rows] == ends[:-1]
    assert ends[-1] == 45
    for begin, end in rows:
        assert f"**{begin}–{end}, " in TEXT


def test_cautions_and_links_are_where_they_are_needed() -> None:
    said = CAUTION_LINE.removesuffix(", nobody near the gates.")
    assert said in TEXT
    assert TEXT.index(said) < TEXT.index("chrono clock PORT")
    assert "competent or licensed person" in TEXT
    links = re.findall(r"\]\(([^)#]+)\)", TEXT)
    assert len(links) >= 3
    assert all((GUIDE.parent / link).exists() for link in links)
    anchors = re.findall(r"\]\(#([^)]+)\)", TEXT)
    headings = [
        re.sub(r"[^a-z0-9 -]", "", line.lower()).strip().replace(" ", "-")
        for line in re.findall(r"^#+ (.*)$", TEXT, re.MULTILINE)
    ]
    assert set(anchors) <= set(headings)
    assert "(recordings/lesson.md)" in (HOUSE / "README.md").read_text("utf-8")


# -- the page ------------------------------------------------------------------------------

PAGE = GUIDE.with_name("lesson_page.html").read_text("utf-8")


def test_the_page_has_the_times_commands_and_sentences_of_the_guide() -> None:
    rows = re.findall(r"<tr><td>(\d+–\d+)</td><td>([^,:;<]+)", PAGE)
    assert rows == re.findall(r"\| (\d+–\d+) \| ([^|]+) \|", TEXT)
    commands = [html.unescape(text) for text in re.findall(r"<code>(chrono .*?)</code>", PAGE)]
    assert len(commands) >= 6
    typed = [" ".join(words) for words, _ in STEPS]
    for command in commands:
        plain = " ".join(shlex.split(command)).replace(
            "--mark -", "--mark recordings/answers.txt"
        )
        assert plain in typed, command
    for sentence in re.findall(r"<li>(.*?)</li>", PAGE):
        assert " ".join(sentence.split()).partition(".")[0] in TEXT, sentence
    assert CAUTION_LINE in PAGE


def test_the_keys_on_the_page_and_in_the_guide_are_those_of_the_program() -> None:
    keys = [line[0] for line in LessonControl(guesses=True).keys]
    assert sorted(re.findall(r"<tr><td><code>(.)</code>", PAGE)) == sorted(keys)
    assert set(re.findall(r"^\| `(.)` \|", TEXT, re.MULTILINE)) == set(keys)


def test_the_picture_for_the_board_is_drawn_to_scale_with_the_session_s_numbers() -> None:
    session = read_recording(GUIDE.parent / "two-and-three-bands.tsv").session
    ticks = re.findall(r'<text x="(\d+)" y="258" text-anchor="middle">(\d+)<', PAGE)
    (x0, v0), *_, (x1, v1) = [(float(x), float(v)) for x, v in ticks]
    per_mps = (x1 - x0) / (v1 - v0)
    for key, name in (("two", "two bands"), ("three", "three bands")):
        series = session.series(name)
        drawn = re.search(rf'<g id="{key}">.*?</g>', PAGE, re.DOTALL)[0]
        text = format_speed(series.mean_mps, series.U95_mean_mps, "m/s")
        assert text.removesuffix(" m/s") in drawn
        left, right = (float(re.search(rf' {end}="(\d+)"', drawn)[1]) for end in ("x1", "x2"))
        middle = float(re.search(r' cx="(\d+)"', drawn)[1])
        assert x0 + (series.mean_mps - v0) * per_mps == pytest.approx(middle, abs=1)
        assert (right - left) / 2 / per_mps == pytest.approx(series.U95_mean_mps, abs=0.015)
    shared = session.series("two bands")
    assert f"± {2 * shared.u_shared_mean_mps:.2f}" == "± 0.05"
    assert "the rule alone: ± 0.05" in PAGE
    assert "4.9 ± 0.4 m/s faster" in PAGE
    assert "faster by 4.9 ± 0.4 m/s" in TEXT


@pytest.mark.long
@pytest.mark.parametrize("width", [320, 390, 1280, 1920])
def test_the_page_fits_every_screen_and_one_paper(tmp_path, width) -> None:
    page = tmp_path / "lesson_page.html"
    page.write_text(PAGE, "utf-8")
    seen = lay_out(page, width)
    assert seen["wide"] <= seen["width"]
    assert seen["beyond"] == []
    assert printed_pages(page) == 1
