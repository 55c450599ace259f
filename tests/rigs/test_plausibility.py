"""What a rig says that cannot be: refused where no speed could be trusted, else told."""

import pytest

from chrono.errors import RigError
from chrono.reports.rig_text import doubt_text
from chrono.rigs.rig_file import default_rig, parse_rig, with_frequency
from chrono.rigs.rig_model import rig_doubts
from chrono.rigs.starter_rig import BOARDS, starter_text

SPACING = '[gates]\nspacing = "300 mm"\n'


@pytest.mark.parametrize("board", list(BOARDS))
def test_starters_of_all_boards_are_sound_and_at_the_cautious_defaults(board) -> None:
    rig = parse_rig(starter_text(board=board))

    default = default_rig(0.3)
    if board == "pico":  # its clock is known
        same = {"from_host", "jitter_s", "step_s"}
        assert rig.clock.model_dump(include=same) == default.clock.model_dump(include=same)
        rig = rig.model_copy(update={"clock": default.clock})
    assert rig == default
    assert rig_doubts(rig) == ()
    assert rig.clock.rate_tolerance == 5000e-6
    assert rig.gates.latency_mismatch_s >= 1e-6


@pytest.mark.parametrize(
    ("clock", "refused"),
    [
        ("counter_bits = 16", True),
        ('counter_bits = 16\nfrequency = "1 MHz"', True),
        ('counter_bits = 16\nfrequency = "250 kHz"', False),
        ("counter_bits = 22", False),
        ("counter_bits = 21", True),
        ("counter_bits = 32", False),
    ],
)
def test_a_counter_that_wraps_within_the_slowest_shot_is_refused(clock, refused) -> None:
    """340 mm at 2 m/s take 170 ms; 2^21 ticks of 62.5 ns are 131 ms, 2^22 are 262 ms."""
    text = f"{SPACING}[clock]\n{clock}\n"
    if not refused:
        parse_rig(text)
        return
    with pytest.raises(RigError, match=r"counter_bits is .* wraps to 0 every") as told:
        parse_rig(text, "rig.toml")
    assert "set window.slowest to" in told.value.hint


@pytest.mark.parametrize(("bits", "mps"), [(21, "2.6"), (16, "83.1"), (9, "10700")])
def test_what_is_advised_for_a_narrow_counter_is_accepted(bits: int, mps: str) -> None:
    """340 mm in a turn: 2^21 / 16 MHz give 2.594 m/s, 2^16 83.01 m/s, 2^9 10 625 m/s."""
    window = f'[window]\nfastest = "50000 m/s"\n{SPACING}[clock]\ncounter_bits = {bits}\n'
    with pytest.raises(RigError) as told:
        parse_rig(window)
    assert "use a counter with 22 bits or more" in told.value.hint
    assert f"set window.slowest to {mps} m/s or more" in told.value.hint
    parse_rig(window.replace("[window]", f'[window]\nslowest = "{mps} m/s"'))
    parse_rig(window.replace(f"bits = {bits}", "bits = 22"))


def test_a_window_of_fast_shots_allows_a_narrow_counter() -> None:
    parse_rig(
        f'{SPACING}[clock]\ncounter_bits = 16\n[window]\nslowest = "90 m/s"\n'
        '[body]\nlength = "10 mm"\n'
    )


def test_a_board_that_says_so_in_its_hello_is_refused_too() -> None:
    with pytest.raises(
        RigError, match=r"16 bits cannot be used: the counter wraps to 0 every 4\.1 ms"
    ):
        with_frequency(default_rig(), 16e6, 16)
    assert with_frequency(default_rig(), 16e6, 32).clock.counter_bits == 32


@pytest.mark.parametrize(
    ("text", "word"),
    [
        (SPACING + '[site]\nmuzzle_distance = "0 m"', "behind the launcher's mouth"),
        ('[gates]\nspacing = "2.5 m"', "behind the launcher's mouth"),
        (
            SPACING + '[body]\nlength = "310 mm"',
            "body.length is 310 mm, and gates.spacing is 300 mm",
        ),
        (SPACING + '[body]\nlength = "300 mm"', "body.length is 300 mm"),
        (SPACING + '[window]\nfastest = "900 km/s"', ""),
        (
            'lines = "plain"\n[gates]\nspacing = "20 mm"\n[clock]\ntick = "100 us"',
            "only 1 ticks",
        ),
    ],
)
def test_what_is_hardly_possible_is_told(text, word) -> None:
    if not word:
        with pytest.raises(RigError):
            parse_rig(text)
        return
    rig = parse_rig(text)
    assert any(word in doubt_text(doubt, rig) for doubt in rig_doubts(rig))


def test_ten_steps_of_the_counter_are_enough_for_a_transit() -> None:
    def doubts(fastest: str) -> tuple[object, ...]:
        rig = parse_rig(
            f'lines = "plain"\n[gates]\nspacing = "500 mm"\n[clock]\ntick = "1 ms"\n'
            f'[window]\nfastest = "{fastest}"'
        )
        return rig_doubts(rig)

    assert doubts("50 m/s") == ()
    assert [doubt.name for doubt in doubts("50.1 m/s")] == ["FEW_TICKS"]
