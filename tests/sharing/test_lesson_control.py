"""The teacher's keys: what they hide, show and keep, in any order."""

import itertools

import pytest

from chrono.sharing.lesson_control import MOST_TOLD, LessonControl
from chrono.teaching.guess_rounds import MeasuredShot, RoundError

SHOT = MeasuredShot(22.3, 0.04)


class Lesson:
    """A control, and a session that has as many shots as a test says."""

    def __init__(self, *, hidden: bool = False, guesses: bool = True, shots: int = 0) -> None:
        self.control = LessonControl(hidden, guesses)
        self.come(shots)

    def come(self, shots: int) -> None:
        """Let there be so many shots."""
        self.shots = shots
        asked = self.control.disclosure().asked_shot
        here = asked if asked <= shots else 0
        self.control.note("monday.tsv", "m/s", shots, here, SHOT)

    def press(self, *keys: str) -> str:
        """Press keys; return what the terminal says of the last one."""
        for key in keys:
            self.come(self.shots)
            self.control.fetch_said()
            self.control.press(key)
        return "\n".join(self.control.fetch_said())

    @property
    def shown(self) -> int | None:
        return self.control.disclosure().shots


def test_everything_is_shown_unless_somebody_hides_it() -> None:
    assert Lesson(shots=5).shown is None
    assert Lesson(hidden=True, shots=5).shown == 0


def test_the_key_hides_what_comes_and_reveals_it_shot_by_shot() -> None:
    lesson = Lesson(shots=5)
    assert "shot 6 and all later shots" in lesson.press("h")
    assert lesson.shown == 5
    assert "shot 6 has not come" in lesson.press("r")
    lesson.come(7)
    assert lesson.shown == 5
    assert "shot 6 is shown; number of shots that are still hidden: 1" in lesson.press("r")
    assert lesson.shown == 6
    assert "all shots are shown" in lesson.press("h")
    assert lesson.shown is None
    assert "no shot is hidden" in lesson.press("r")


def test_the_shot_that_was_revealed_stands_large_until_the_next_comes() -> None:
    lesson = Lesson(hidden=True, shots=5)
    assert lesson.control.disclosure().large == 0
    lesson.press("r", "r")
    assert lesson.control.disclosure().large == 2
    lesson.come(6)
    assert lesson.control.disclosure().large == 0


def test_a_round_on_the_next_shot_hides_it_until_it_is_revealed() -> None:
    lesson = Lesson(shots=5)
    assert "speed of shot 6" in lesson.press("o")
    assert lesson.shown == 5
    lesson.control.take_guess("a", "owls", "22")
    lesson.come(6)
    (said,) = lesson.control.fetch_said()
    assert (
        said == "shot 6 has come: the round is closed with 1 guess; press r to show the result"
    )
    with pytest.raises(RoundError):
        lesson.control.take_guess("b", "", "22.3")
    assert lesson.shown == 5
    assert "measured: 22.30 ± 0.04 m/s" in lesson.press("r")
    assert lesson.shown is None
    (kept,) = lesson.control.fetch_kept()
    assert (kept.who, kept.shot, kept.speed_mps, kept.kind) == ("owls", 6, 22.3, "speed")
    assert lesson.control.fetch_kept() == []


def test_a_round_on_a_hidden_shot_stays_open_until_the_key() -> None:
    lesson = Lesson(hidden=True, shots=5)
    assert "± (95 %) of shot 1" in lesson.press("e")
    lesson.come(6)
    lesson.control.take_guess("a", "", "2 %")
    assert "still open" in lesson.press("r")
    assert "the round is closed with 1 guess" in lesson.press("c")
    assert "measured: ± 0.04 m/s" in lesson.press("r")
    assert lesson.shown == 1
    assert "speed of shot 2" in lesson.press("o")


def test_a_round_on_the_only_hidden_shot_stays_open_until_the_key() -> None:
    lesson = Lesson(hidden=True, shots=1)
    assert "speed of shot 1" in lesson.press("o")
    lesson.come(1)
    lesson.control.take_guess("a", "", "22")
    assert "the round is closed with 1 guess" in lesson.press("c")


def test_a_round_is_not_revealed_before_its_shot() -> None:
    lesson = Lesson(shots=5)
    lesson.press("o")
    lesson.control.take_guess("a", "", "22")
    assert "has not come" in lesson.press("c", "r")
    assert lesson.control.disclosure().round.measured == ""
    assert "speed of shot 6" in lesson.press("o"), "asked again; nothing was guessed in vain"
    (kept,) = lesson.control.fetch_kept()
    assert kept.speed_mps != kept.speed_mps


def test_a_key_that_comes_before_the_shot_is_timed_is_not_lost() -> None:
    control = LessonControl(hidden=True, guesses=True)
    control.note("monday.tsv", "m/s", 5, 0, SHOT)
    control.press_all("ocr")
    assert control.fetch_said()[-1] == "shot 1 is being measured and will be revealed soon"
    assert control.disclosure().shots == 0
    control.note("monday.tsv", "m/s", 5, 1, SHOT)
    assert control.fetch_said()[-1] == "measured: 22.30 ± 0.04 m/s"
    assert control.disclosure().shots == 1
    control.note("monday.tsv", "m/s", 5, 1, SHOT)
    assert control.fetch_said() == []


def test_a_round_of_a_shot_that_came_is_revealed_before_the_next_begins() -> None:
    lesson = Lesson(shots=5)
    lesson.press("o")
    lesson.come(6)
    assert "still hidden" in lesson.press("o")
    assert lesson.control.place == 1


def test_what_was_guessed_is_kept_when_the_lesson_ends_in_the_middle() -> None:
    lesson = Lesson(shots=5)
    lesson.press("o")
    lesson.control.take_guess("a", "", "22")
    lesson.control.end()
    lesson.control.end()
    assert len(lesson.control.fetch_kept()) == 1


def test_while_a_round_is_open_the_page_knows_only_how_many_guessed() -> None:
    lesson = Lesson(shots=5)
    lesson.press("o")
    lesson.control.take_guess("a", "owls", "21.75")
    page = lesson.control.disclosure().round
    assert (page.phase, page.count, page.plot, page.guesses) == ("open", 1, None, ())
    assert "21.75" not in repr(lesson.control.disclosure())
    lesson.press("c")
    page = lesson.control.disclosure().round
    assert page.guesses == (("1", "21.75 m/s"),)
    assert page.plot.measured is None
    assert page.measured == ""


def test_names_are_read_by_the_teacher_before_all_pages_show_them() -> None:
    lesson = Lesson(shots=5)
    lesson.press("o")
    assert "no group has sent a new group name" in lesson.press("n")
    lesson.control.take_guess("a", "owls", "22")
    assert "1: owls" in lesson.press("n")
    lesson.control.take_guess("b", "rude", "22")
    assert "2: rude" in lesson.press("n"), "one more came: asked again"
    assert lesson.control.rounds.agreed == {}
    assert "shown now" in lesson.press("n")
    lesson.press("c")
    assert [who for who, _ in lesson.control.disclosure().round.guesses] == ["owls", "rude"]


def test_the_decimal_sign_and_the_unit_are_the_page_s() -> None:
    control = LessonControl(False, True, "km/h", ",")
    control.note("monday.tsv", "km/h", 0, 0, SHOT)
    control.press("o")
    control.take_guess("a", "", "79,9")
    control.note("monday.tsv", "km/h", 1, 1, SHOT)
    control.press("r")
    page = control.disclosure().round
    assert page.measured == "80,28 ± 0,14 km/h"
    assert page.guesses == (("1", "79,9 km/h"),)
    assert not any("." in text for _, text in page.plot.ticks)
    (kept,) = control.fetch_kept()
    assert kept.guess_mps == pytest.approx(79.9 / 3.6)


def test_without_guesses_their_keys_do_nothing_but_name_the_others() -> None:
    lesson = Lesson(guesses=False, shots=5)
    for key in "oecnx?":
        said = lesson.press(key)
        assert "h  hide new shots" in said
        assert "open a round" not in said
    assert lesson.control.disclosure().round is None
    assert "open a round" in Lesson().press("?")


def test_no_order_of_keys_shows_a_shot_of_a_round_that_is_not_revealed() -> None:
    """Every sequence of four keys, with a shot between each two: nothing raises."""
    for hidden in (False, True):
        for keys in itertools.product("hroecn", repeat=4):
            lesson = Lesson(hidden=hidden, shots=2)
            for key in keys:
                lesson.press(key)
                lesson.come(lesson.shots + 1)
                asked = lesson.control.rounds.now
                if asked is not None and asked.phase != "revealed":
                    assert lesson.shown is not None, keys
                    assert lesson.shown < asked.shot, keys
                if asked is None and hidden and "h" not in keys:
                    assert lesson.shown <= keys.count("r"), keys


def test_a_network_problem_is_told_once_and_a_flood_of_problems_ends() -> None:
    control = LessonControl()
    for number in [*range(MOST_TOLD + 5), *range(MOST_TOLD + 5)]:
        control.tell_once(f"a viewer at 10.0.0.{number} was refused")
    said = control.fetch_said()
    assert said == [f"a viewer at 10.0.0.{n} was refused" for n in range(MOST_TOLD)]
