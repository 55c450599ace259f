"""A summary says why shots do not count."""

from pathlib import Path

import pytest
from interval_kit import record, setup, shot, write_recording
from line_kit import A, B, beats, block, body, events
from speed_rigs import make_rig

from chrono.arrays.events import Batch, Record
from chrono.processor.shot_records import EdgesUsed, Flag
from chrono.reports.summary_text import uncounted, uncounted_lines
from chrono.session.recording_loader import read_recording
from chrono.session.report_content import report_of
from chrono.session.session import Session

HALL = Path(__file__).parents[2] / "recordings" / "noisy-hall.tsv"


def session(*marks: dict[str, object]) -> Session:
    """Return two balls, a blocked gate A, another at B, with marks on the first ball."""
    made = Session(make_rig())
    lines = [*beats(20), *body(1.3, 20.0), *body(4.3, 21.0), *block(A, 7.3, 1e-3)]
    these = events([*lines, *block(A, 10.3, 1e-3), *block(B, 13.3, 1e-3)])
    made.feed(Batch(these, ()))
    made.finish()
    key = int(made.log.shots["key"][0])
    records = [Record(0, 0, "mark", {"shot": key, **mark}) for mark in marks]
    made.feed(Batch(events([]), tuple(records)))
    return made


def test_flags_that_keep_shots_out_are_counted_the_most_frequent_first() -> None:
    assert uncounted(session()) == [("lone-a", 2), ("lone-b", 1)]
    assert uncounted_lines(session()) == ["  not counted: 2 lone-a; 1 lone-b"]


def test_a_shot_set_aside_is_told_with_its_reason() -> None:
    made = session({"action": "set-aside", "text": "ball\x1b[2J cracked"})
    assert ("set aside: ball\x1b[2J cracked", 1) in uncounted(made)
    words = " ".join(uncounted_lines(made)).split()
    assert " ".join(words).endswith("1 set aside: ball·[2J cracked")


def test_a_shot_without_a_speed_is_told_with_what_it_had() -> None:
    made = read_recording(HALL).session
    made.log.shots["used"][:15] = EdgesUsed.NONE
    made.log.shots["flags"][:15] = Flag.COMPANION | Flag.UNSOUND
    assert uncounted(made) == [("no speed (companion, unsound)", 15)]


def test_a_report_names_the_flag_of_a_shot_without_a_speed_and_the_words_of_the_operator(
    tmp_path: Path,
) -> None:
    """A transit of 0 us is too fast and gives no speed; the second good shot is on hold."""
    held = [record("mark", {"action": "hold-on"}), shot(21)]
    rows = [setup("a"), shot(20), ("board", "0"), *held]
    recorded = read_recording(write_recording(tmp_path / "x.tsv", rows))
    (told,) = report_of([recorded]).recordings

    assert {(each.reason, each.flags) for each in told.aside} == {
        ("too-fast", ("too-fast",)),
        ("on hold", ()),
    }


def test_a_report_names_what_took_the_speed_of_a_shot_and_no_flag_that_did_not() -> None:
    recorded = read_recording(HALL)
    shots = recorded.session.log.shots
    shots["used"][:5] = EdgesUsed.NONE
    shots["flags"][:3] = Flag.COMPANION | Flag.UNSOUND
    shots["flags"][3:5] = Flag.COMPANION
    (told,) = report_of([recorded]).recordings

    found = {each.flags: [number for number, _ in each.shots] for each in told.aside}
    assert found["unsound",] == [1, 2, 3]
    assert found["no speed",] == [4, 5]


def test_where_all_count_nothing_is_said() -> None:
    made = Session(make_rig())
    made.feed(Batch(events([*beats(5), *body(1.3, 20.0)]), ()))
    made.finish()
    assert uncounted_lines(made) == []


@pytest.mark.parametrize("many", [6, 7])
def test_rare_reasons_are_summed_up(many: int, monkeypatch: pytest.MonkeyPatch) -> None:
    reasons = [(f"reason {i}", 3) for i in range(many)]
    monkeypatch.setattr("chrono.reports.summary_text.uncounted", lambda _: reasons)
    text = " ".join(uncounted_lines(session()))
    assert ("3 for other reasons" in text) == (many == 7)


def test_shots_on_hold_say_so() -> None:
    made = Session(make_rig())
    hold = Record(0, 0, "mark", {"action": "hold-on"})
    made.feed(Batch(events([*beats(5), *body(1.3, 20.0)]), (hold,)))
    made.finish()
    assert uncounted(made) == [("on hold", 1)]
