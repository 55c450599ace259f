"""The README keeps what it promises."""

from pathlib import Path

from every_command import command_names

from chrono.reports.flag_help import FLAG_HELP

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")


def test_every_flag_is_explained_to_contributors_as_the_program_does() -> None:
    for flag, text in FLAG_HELP.items():
        assert f"| `{flag}` | {text} |" in DEVELOPERS
    assert "(DEVELOPERS.md#flags-of-a-shot)" in README
    assert "\n## Flags of a shot\n" in DEVELOPERS


def test_the_environment_is_activated_before_the_first_bare_command() -> None:
    activated = README.index("\n. .venv/bin/activate\n")
    assert activated < README.index("\nchrono ")


def test_every_command_in_the_readme_is_one() -> None:
    first_words = {name.split()[0] for name in command_names()}
    told = [line.split()[1] for line in README.splitlines() if line.startswith("chrono ")]
    assert len(told) > 20
    assert set(told) <= first_words


def test_the_commands_that_ci_runs_are_there() -> None:
    for name in ("demo", "tests"):
        assert f"<!-- command: {name} -->\n```sh\npython3 -m venv" in README
