"""Files that leave whole or not at all."""

import resource
import signal
from pathlib import Path

import pytest

from chrono.errors import OptionError, RecordingError
from chrono.reports.newfile import check_new, write_new


def test_a_file_is_written_as_it_is(tmp_path: Path) -> None:
    write_new(tmp_path / "x", b"\r\n\xff")
    assert (tmp_path / "x").read_bytes() == b"\r\n\xff"


def test_a_file_that_came_meanwhile_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "x").write_text("mine")
    with pytest.raises(OptionError, match="exists"):
        write_new(tmp_path / "x", b"other")
    assert (tmp_path / "x").read_text() == "mine"


def test_a_full_disk_leaves_no_half_file(tmp_path: Path) -> None:
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, before[1]))
    try:
        with pytest.raises(RecordingError, match="cannot be written"):
            write_new(tmp_path / "x", b"a" * 100_000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)
    assert not (tmp_path / "x").exists()


@pytest.mark.parametrize("name", ["there", "link"])
def test_what_is_there_is_told_before_any_work(tmp_path: Path, name: str) -> None:
    (tmp_path / "there.svg").write_text("mine")
    (tmp_path / "link.svg").symlink_to(tmp_path / "nowhere")
    with pytest.raises(OptionError, match="exists"):
        check_new(tmp_path / f"{name}.svg", (".svg",))


def test_an_ending_in_capitals_is_one_too(tmp_path: Path) -> None:
    assert check_new(tmp_path / "x.SVG", (".svg", ".png")) == ".svg"
