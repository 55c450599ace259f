"""What an export says otherwise than an earlier one: speeds, flags, numbers, shots."""

from pathlib import Path

import pytest

from chrono.errors import OptionError
from chrono.reports.export_difference import (
    compare_exports,
    difference_data,
    export_difference_text,
    read_export,
)

NAN = float("nan")


def shot(number, time_s, speed=22.0, u95=0.1, flags="", recording="a.tsv"):
    return {
        "recording": recording,
        "shot": number,
        "time_s": time_s,
        "speed_mps": speed,
        "U95_mps": u95,
        "flags": flags,
    }


def test_equal_exports_have_no_change():
    rows = [shot(1, 1.0), shot(2, 2.0, NAN, NAN, "lone-a")]
    found = compare_exports(rows, rows)
    assert found.changes == ()
    same = "this export has 2 shots; no shot differs from the earlier export"
    assert export_difference_text(found) == same


def test_the_largest_change_comes_first_and_shots_that_came_or_went_before_it():
    before = [shot(1, 1.0), shot(2, 2.0), shot(3, 3.0), shot(4, 5.0)]
    now = [shot(1, 1.0, 22.01), shot(2, 2.0, 22.2), shot(3, 3.0), shot(4, 4.0), shot(5, 5.0)]
    found = compare_exports(before, now)
    assert [change.time_s for change in found.changes] == [4.0, 2.0, 1.0, 5.0]
    assert (found.before, found.now) == (4, 5)
    new, faster, _, renumbered = found.changes
    assert new.before is None
    assert faster.size == pytest.approx(2.0)
    assert (renumbered.before["shot"], renumbered.now["shot"]) == (4, 5)
    text = export_difference_text(found)
    assert "4 shots differ" in text
    assert "only in the new export: shot " in text
    assert difference_data(found)["changes"][0]["before"] is None


def test_one_shot_is_one_shot_and_the_rest_is_counted():
    rows = [shot(n, float(n)) for n in range(1, 43)]
    assert (
        "this export has 1 shot, the earlier export has 2; 1 shot differs:\n"
        in export_difference_text(compare_exports(rows[:2], rows[:1]))
    )
    gone = export_difference_text(compare_exports(rows, []))
    assert "more shot" not in export_difference_text(compare_exports(rows[:40], [])), (
        "all are listed"
    )
    slower = [shot(n, float(n), 21.8) for n in range(1, 43)]
    assert gone.splitlines()[-1] == "2 more shots changed; to list all changes, use --json"
    assert export_difference_text(compare_exports(rows[:41], slower[:41])).endswith(
        "1 more shot changed by at most 200 % of the earlier ±; to list all changes, use --json"
    )


@pytest.mark.parametrize(
    "changed",
    [
        shot(1, 1.0, flags="short"),
        shot(1, 1.0, u95=0.2),
        shot(1, 1.0, NAN, NAN),
        shot(1, 1.0, 22.00001),
    ],
)
def test_a_speed_a_width_a_flag_or_none_is_a_change(changed):
    assert len(compare_exports([shot(1, 1.0)], [changed]).changes) == 1


def test_the_last_rounded_digit_is_no_change():
    assert compare_exports([shot(1, 1.0)], [shot(1, 1.0000004, 22.000001)]).changes == ()


def test_single_recordings_are_the_same_whatever_their_names():
    assert compare_exports([shot(1, 1.0, recording="b.tsv")], [shot(1, 1.0)]).changes == ()


def test_of_several_recordings_each_goes_by_its_name():
    before = [shot(1, 1.0), shot(1, 1.0, 30.0, recording="b.tsv")]
    assert compare_exports(before, before[::-1]).changes == ()


@pytest.mark.parametrize("text", ["", "a,b\n1,2\n", "\x00", f"recording\n{'x' * 200_000}\n"])
def test_what_is_not_an_export_is_refused(tmp_path: Path, text: str):
    path = tmp_path / "old.csv"
    path.write_text(text)
    with pytest.raises(OptionError, match="not a table of shots from chrono export"):
        read_export(path)


def test_a_row_that_was_cut_is_refused(tmp_path: Path):
    path = tmp_path / "old.csv"
    path.write_text("recording,shot,time_s,speed_mps,U95_mps,flags\na.tsv,x\n")
    with pytest.raises(OptionError, match="cannot be read"):
        read_export(path)
