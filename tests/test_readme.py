"""The README keeps what it promises."""

import re
from pathlib import Path

from page_commands import shown, words_of

from chrono.commands.guide_command import guide_pages
from chrono.reports.flag_help import FLAG_HELP

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
RECORDINGS = (ROOT / "recordings/README.md").read_text("utf-8")


def test_every_flag_is_explained_beside_the_recordings_as_the_program_does() -> None:
    for flag, text in FLAG_HELP.items():
        assert f"| `{flag}` | {text} |" in RECORDINGS
    assert "(recordings/README.md#flags-of-a-shot)" in README
    assert "\n## Flags of a shot\n" in RECORDINGS


def test_the_environment_is_activated_before_the_first_bare_command() -> None:
    activated = README.index("\n. .venv/bin/activate\n")
    assert activated < README.index("\nchrono ")


def test_the_commands_of_the_readme_run(chrono, tmp_path: Path) -> None:
    """Those that install are the ones that CI runs."""
    commands = [command for block in shown(README) for command in block.commands]
    ours = [command for command in commands if command.startswith("chrono ")]
    installing = ("python3 -m venv .venv &&", ". .venv/bin/activate")
    assert all(command.startswith(installing) for command in set(commands) - set(ours))
    assert len(ours) >= 5
    for command in ours:
        outcome = chrono(*words_of(command))
        assert outcome.code == 0, f"{command}: {outcome.err}"


def test_quotes_are_those_of_every_shell() -> None:
    """Windows' shell hands single quotes on to the program."""
    for page in (README, *(page.text for page in guide_pages().values())):
        for block in shown(page):
            assert not [command for command in block.commands if "'" in command]


def test_the_shot_that_is_explained_is_the_first_of_the_demo(chrono) -> None:
    """But for its time, which is another each time."""
    outcome = chrono("demo", "--no-dashboard", "--shots", "1")
    number, _, shot = outcome.out.partition(" s  ")
    assert number.split()[0] == "1"
    assert README.count(f" s  {shot}") == 2


def test_the_readme_is_short_and_its_links_lead_somewhere() -> None:
    assert len(README.split()) <= 950
    links = re.findall(r"\]\(([^)#\s]+)", README)
    assert len(links) > 20
    for link in links:
        assert (ROOT / link).exists(), link


def test_every_page_of_the_guide_can_be_found_from_the_readme() -> None:
    for topic in guide_pages():
        assert f"(chrono/guide/{topic}.md)" in README, topic


def test_the_commands_that_ci_runs_are_there() -> None:
    for name in ("demo", "tests"):
        assert f"<!-- command: {name} -->\n```sh\npython3 -m venv" in README


def test_the_guide_for_contributors_is_short_and_names_every_file() -> None:
    assert len(DEVELOPERS) <= 10_000
    files = {path.stem for path in (ROOT / "chrono").rglob("*.py")} - {"__init__", "__main__"}
    unnamed = {
        stem
        for stem in files
        if stem.removesuffix("_command").removesuffix("screen") not in DEVELOPERS
        and not stem.endswith("_text")
    }
    assert unnamed == set()
