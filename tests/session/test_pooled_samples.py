"""Recordings put together setup by setup: whose rig is whose, and what is said of it."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from command_kit import is_one_clear_complaint
from season_kit import BANDS, HALL, PLAIN

from chrono.measuring.series_statistics import Sample
from chrono.measuring.setup_comparison import compare_groups
from chrono.reports.summary_text import pooled_text
from chrono.rigs.rig_file import default_rig
from chrono.rigs.rig_model import Rig
from chrono.session.pooled_samples import (
    RecordingSamples,
    RigBasis,
    damaged_lines,
    is_same_rig,
    pooled_groups,
    pooled_of,
    recording_samples,
    rigs_taken,
)
from chrono.session.recording_loader import read_recording


def rig(name: str, spacing_m: float = 0.3) -> Rig:
    return default_rig(spacing_m).model_copy(update={"name": name})


def sampled(name: str, its: Rig, **speeds: list[float]) -> RecordingSamples:
    samples = {
        setup: Sample(
            np.arange(1, len(values) + 1),
            np.array(values),
            np.zeros(len(values)),
            np.full(len(values), 0.1),
        )
        for setup, values in speeds.items()
    }
    return RecordingSamples(name, its, samples)


MORNING = sampled("morning.tsv", rig("hall"), two=[20.0, 20.2, 20.4], three=[25.0, 25.3])
EVENING = sampled("evening.tsv", rig("hall"), two=[20.1, 20.3, 20.2])


def test_setups_of_one_name_are_put_together_in_order_of_first_use() -> None:
    pooled = pooled_of([MORNING, EVENING])
    assert [(s.name, s.series.n, s.counted) for s in pooled.setups] == [
        ("two", 6, {"morning.tsv": 3, "evening.tsv": 3}),
        ("three", 2, {"morning.tsv": 2}),
    ]
    assert pooled.rigs.places == (0, 0)
    assert pooled.setups[0].series.u_shared_mean_mps == pytest.approx(0.1)


@pytest.mark.parametrize("units", [("km/h", "m/s"), ("m/s", "km/h")])
def test_the_unit_of_the_first_rig_is_shown(units: tuple[str, str]) -> None:
    days = [
        replace(day, rig=day.rig.model_copy(update={"speed_unit": unit}))
        for day, unit in zip([MORNING, EVENING], units, strict=True)
    ]
    assert pooled_of(days).unit == units[0]


def test_rigs_of_other_names_and_gates_count_each() -> None:
    elsewhere = replace(EVENING, rig=rig("yard", 0.4))
    (two, _) = pooled_of([MORNING, elsewhere]).setups
    assert {rig: share.part for rig, share in two.rigs.items()} == {0: 0.5, 1: 0.5}
    assert two.series.u_shared_mean_mps == pytest.approx(0.1 / np.sqrt(2))


def identified(its: Rig, identity: str) -> Rig:
    return its.model_copy(update={"identity": identity})


@pytest.mark.parametrize(
    ("one", "other", "is_same"),
    [
        (rig("hall"), rig("hall"), True),
        (rig("hall"), rig("yard"), True),  # the same gates by another name
        (rig("hall"), rig("hall", 0.4), False),  # other gates of one name
        (identified(rig("hall"), "a"), identified(rig("yard", 0.4), "a"), True),
        (identified(rig("hall"), "a"), identified(rig("hall"), "b"), False),
        (identified(rig("hall"), "a"), rig("hall"), True),  # one is from an older file
    ],
)
def test_the_identity_decides_then_the_description_and_never_the_name(one, other, is_same):
    assert is_same_rig(one, other) is is_same
    assert is_same_rig(other, one) is is_same


def test_why_recordings_are_taken_for_one_rig_is_kept_and_the_user_overrules_it() -> None:
    same = [MORNING, EVENING, replace(EVENING, name="c.tsv", rig=rig("hall", 0.4))]
    taken = rigs_taken(same)
    assert taken.places == (0, 0, 1)
    assert taken.recordings == (("morning.tsv", "evening.tsv"), ("c.tsv",))
    assert taken.basis == (RigBasis.DESCRIPTION, RigBasis.ALONE)
    marked = [replace(each, rig=identified(each.rig, "a")) for each in same]
    assert rigs_taken(marked).basis == (RigBasis.IDENTITY,)
    assert rigs_taken(same, one_rig=True).places == (0, 0, 0)
    assert rigs_taken(same, one_rig=False).places == (0, 1, 2)
    assert rigs_taken(same, one_rig=True).basis == (RigBasis.GIVEN,)


def test_recordings_that_differ_are_said_to_differ() -> None:
    drifted = sampled("evening.tsv", rig("hall"), two=[22.0, 22.2, 22.1])
    assert not pooled_of([MORNING, EVENING]).setups[0].differ
    pooled = pooled_of([MORNING, drifted])
    assert pooled.setups[0].differ
    text = " ".join(pooled_text(pooled).split())
    assert "the recordings differ by more than the scatter of their shots" in text
    assert np.isnan(pooled.setups[1].differing_p), "one recording cannot differ"


def test_pooled_shots_have_the_interval_of_s_by_hand_and_six_recordings_are_named() -> None:
    """
    χ² of 1 degree of freedom: 95 % are between 0.000982 and 5.024.

    The s of 25.0 and 25.3 m/s is 0.3/√2 = 0.212 m/s.
    """
    texts = {}
    for count in (6, 8):
        days = [
            sampled(f"{n}.tsv", rig("hall"), two=[20.0, 20.2, 20.4]) for n in range(count - 1)
        ]
        more = {"two": [20.0, 20.2, 20.4], "three": [25.0, 25.3], "one": [30.0]}
        pooled = pooled_of([*days, sampled("last.tsv", rig("hall"), **more)])
        texts[count] = " ".join(pooled_text(pooled).split())

    assert texts[6].startswith("6 recordings with 21 counted shots together")
    assert "s 0.212 m/s (0.095 … 6.8) from last.tsv 2 one speed 30.0" in texts[6]
    assert "from 0.tsv 3, 1.tsv 3, 2.tsv 3, 3.tsv 3, 4.tsv 3, last.tsv 3 recordings" in texts[6]
    assert "from 0.tsv 3, 1.tsv 3, 2.tsv 3, 3.tsv 3, 4.tsv 3, 5.tsv 3 and 2 more " in texts[8]
    assert "the shots show no difference between the recordings (p = 1)" in texts[8]
    assert texts[8].endswith("from last.tsv 1"), "one shot has no s"


def test_recordings_of_two_rigs_may_differ_by_the_rigs_errors() -> None:
    close = sampled("evening.tsv", rig("yard", 0.4), two=[20.55, 20.75, 20.65])
    assert not pooled_of([MORNING, close]).setups[0].differ
    assert pooled_of([MORNING, replace(close, rig=rig("hall"))]).setups[0].differ


def test_three_rigs_of_one_name_count_each_for_its_shots() -> None:
    """As one rig their errors would count in full, and the ± would be √3 times too wide."""
    three = [
        replace(EVENING, name=f"{n}.tsv", rig=identified(rig("light gates"), str(n)))
        for n in range(3)
    ]
    (two,) = pooled_of(three).setups
    assert two.series.u_shared_mean_mps == pytest.approx(0.1 / np.sqrt(3))
    (all_one,) = pooled_of(three, one_rig=True).setups
    assert all_one.series.u_shared_mean_mps == pytest.approx(0.1)


def test_setups_share_the_rigs_that_both_were_clocked_with() -> None:
    groups = pooled_groups(pooled_of([MORNING, EVENING]))
    assert len({group.session for group in groups}) == 2, "in no common order"
    (pair,) = compare_groups(groups).pairs
    assert pair.plain.u_rigs_mps == 0
    mixed = pooled_of([MORNING, replace(EVENING, rig=rig("yard", 0.4))])
    (pair,) = compare_groups(pooled_groups(mixed)).pairs
    # half of the one setup and all of the other are from the first rig
    assert pair.plain.u_rigs_mps == pytest.approx(0.1 * np.hypot(0.5, 0.5))


def test_the_command_pools_what_it_is_told_to(chrono, tmp_path: Path) -> None:
    for name in ("a.tsv", "b.tsv"):
        shutil.copy(BANDS, tmp_path / name)
    alone = json.loads(chrono("summary", "a.tsv", "--json").out)[0]["setups"]
    told = json.loads(chrono("summary", "--pool", "a.tsv", "b.tsv", "--json").out)
    for one, both in zip(alone, told["setups"], strict=True):
        assert both["counted"] == 2 * one["counted"]
        assert both["mean_mps"] == pytest.approx(one["mean_mps"], rel=1e-12)
        assert both["from"] == {"a.tsv": 20, "b.tsv": 20}
        assert both["U95_mean_mps"] < one["U95_mean_mps"]
        assert both["between_recordings"]["p_value"] == pytest.approx(1)
        assert both["rigs"] == 1
    text = chrono("summary", "--pool", ".").out
    assert text.startswith("2 recordings with 80 counted shots together\n  Rigs: one rig ")
    assert "so the error that all shots share counts only once" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 60


@pytest.mark.parametrize(
    ("damaged", "missing", "told"),
    [((), (), 0), ((60,), (), 1), ((), (60,), 1), ((60,), (70, 71), 3), ((60, 64, 70), (), 3)],
)
def test_each_damaged_or_lost_line_counts_once(tmp_path: Path, damaged, missing, told) -> None:
    rows = BANDS.read_bytes().splitlines()
    for place in damaged:
        rows[place] = rows[place][:-1] + b"?"
    kept = [row for place, row in enumerate(rows) if place not in missing]
    (tmp_path / "a.tsv").write_bytes(b"\n".join([*kept, b""]))
    samples = recording_samples(read_recording(tmp_path / "a.tsv"))
    assert damaged_lines([samples, MORNING]) == told


def test_a_comparison_of_pooled_setups_has_each_of_them_once(chrono) -> None:
    outcome = chrono("compare", "--pool", BANDS, PLAIN, HALL, "--json")
    assert outcome.code == 1, "a lamp flickers in the noisy hall"
    told = json.loads(outcome.out)["setups"]
    assert [(each["setup"], each["n"]) for each in told] == [
        ("two bands", 80),
        ("three bands", 20),
        ("2 bar", told[2]["n"]),
        ("3 bar", told[3]["n"]),
    ]


def test_too_many_setups_are_not_compared_each_with_each(chrono, tmp_path: Path) -> None:
    for n in range(26):
        shutil.copy(BANDS, tmp_path / f"{n}.tsv")
    is_one_clear_complaint(chrono("compare", "."), "52 setups in 26 recordings", "--pool")
    assert chrono("compare", ".", "--pool").code == 0


def test_nothing_that_can_be_pooled_is_told(chrono, tmp_path: Path) -> None:
    (tmp_path / "x.tsv").write_text("")
    is_one_clear_complaint(
        chrono("summary", "--pool", "x.tsv", "--skip-bad"), "none of the recordings can"
    )


def test_the_option_says_whose_rigs_the_recordings_are(chrono, tmp_path: Path) -> None:
    for name in ("a.tsv", "b.tsv"):
        shutil.copy(BANDS, tmp_path / name)
    wide = {}
    for option in ("one", "each"):
        told = json.loads(chrono("compare", "a.tsv", "b.tsv", "--rigs", option, "--json").out)
        assert {rig["basis"] for rig in told["rigs"]} == {
            "given" if option == "one" else "alone"
        }
        wide[option] = told["pairs"][1]["without_drift"]["u_shared_mps"]
    assert wide["each"] > 5 * wide["one"]
    text = " ".join(chrono("compare", "a.tsv", "b.tsv").out.split())
    assert (
        "because the rigs have the same description). If each recording has its own rig" in text
    )
    assert "this result is valid only if the same rig made both recordings" in text
    assert "as you requested" in " ".join(
        chrono("summary", "--pool", ".", "--rigs", "each").out.split()
    )
    is_one_clear_complaint(chrono("summary", ".", "--rigs", "each"), "--pool")
