"""R finds the same statistics in the demo recordings and in made sessions.

Debian's r-base-core has Welch's test and Holm's method, r-cran-sandwich the errors of the
fitted drift, r-cran-clubsandwich their degrees of freedom for equal spreads. Those for unlike
spreads, and Bonett's interval, the script computes from their formulas.
"""

import os
import shutil
import subprocess
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from many_sessions import Plan, spreads_of
from test_outliers import CRITICAL, DEVIATES, ROSNER

from chrono.measuring.scatter import (
    anderson_darling,
    critical_deviate,
    extreme_deviates,
    scatter_of,
)
from chrono.measuring.series_statistics import Sample
from chrono.measuring.setup_comparison import Group, compare_groups, group_of
from chrono.session.pooled_samples import groups_from, recording_samples
from chrono.session.recording_loader import read_recording

SCRIPT = Path(__file__).with_name("agrees.R")
RECORDINGS = sorted((Path(__file__).parents[2] / "recordings").glob("*.tsv"))


@pytest.fixture(name="rscript", scope="session")
def _rscript() -> str:
    found = shutil.which("Rscript")
    wanted = "stopifnot(requireNamespace('sandwich'), requireNamespace('clubSandwich'))"
    if found and not subprocess.run([found, "-e", wanted], capture_output=True).returncode:
        return found
    message = "R missing: install r-base-core, r-cran-sandwich and r-cran-clubsandwich"
    if os.environ.get("CI"):
        pytest.fail(message)
    pytest.skip(message)


def by_r(rscript: str, script: Path, table: Path) -> dict[str, float]:
    """Return the numbers that a script prints, by their names."""
    done = subprocess.run(
        [rscript, "--vanilla", script, table], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    lines = (line.split() for line in done.stdout.splitlines())
    return {name: float(value) for name, value in lines}


def agrees(rscript: str, groups: list[Group], folder: Path) -> None:
    """Hold this program to R, to 1e-8."""
    table = folder / "shots.csv"
    rows = ["setup,number,speed_mps"]
    rows += [
        f"{place},{number},{float(speed)!r}"
        for place, group in enumerate(groups)
        for number, speed in zip(group.sample.number, group.sample.speed_mps, strict=True)
    ]
    table.write_text("\n".join(rows))
    theirs, found = by_r(rscript, SCRIPT, table), ours(groups)
    for name, value in theirs.items():
        assert found.pop(name) == pytest.approx(value, rel=1e-8, abs=1e-13), name
    assert not found


@pytest.mark.parametrize("recording", RECORDINGS, ids=lambda path: path.stem)
def test_r_agrees(rscript: str, recording: Path, tmp_path: Path) -> None:
    agrees(rscript, groups_from([recording_samples(read_recording(recording))]), tmp_path)


@pytest.mark.parametrize(
    ("setups", "shots"),
    [
        (2, 3),
        (5, 6),
        pytest.param(2, 7, marks=pytest.mark.long),
        pytest.param(3, 5, marks=pytest.mark.long),
    ],
)
@pytest.mark.parametrize("in_turn", [False, True])
def test_r_agrees_on_made_sessions(
    rscript: str, setups: int, shots: int, in_turn: bool, tmp_path: Path
) -> None:
    plan = Plan(setups, shots, in_turn)
    (speeds,) = plan.speeds(1, spreads_of(setups, 3)[0], 0.4, seed=setups + shots, faster=0.5)
    nothing = np.zeros(shots)
    groups = []
    for place in range(setups):
        own = np.flatnonzero(plan.setup == place)
        found = group_of(str(place), Sample(own + 1, speeds[own], nothing, nothing))
        assert found is not None
        groups.append(found)
    agrees(rscript, groups, tmp_path)


def test_r_finds_rosner_s_table(rscript: str, tmp_path: Path) -> None:
    """The printed values are from memory: R's own distributions give them too."""
    table = tmp_path / "values.txt"
    table.write_text(" ".join(map(repr, ROSNER.tolist())))
    theirs = by_r(rscript, Path(__file__).with_name("outliers.R"), table)

    _, deviates = extreme_deviates(ROSNER, 10)
    for i in range(10):
        assert theirs[f"deviate{i + 1}"] == pytest.approx(deviates[i], rel=1e-9)
        assert theirs[f"deviate{i + 1}"] == pytest.approx(DEVIATES[i], abs=1e-3)
        assert theirs[f"critical{i + 1}"] == pytest.approx(critical_deviate(54 - i), rel=1e-9)
        assert theirs[f"critical{i + 1}"] == pytest.approx(CRITICAL[i], abs=1.1e-3)


def ours(groups: list[Group]) -> dict[str, float]:
    """Return the same numbers by this program."""
    found: dict[str, float] = {}
    for i, group in enumerate(groups, 1):
        series, scatter = group.series, scatter_of(group.sample)
        found |= {
            f"mean{i}": series.mean_mps,
            f"s{i}": series.s_mps,
            f"median{i}": series.median_mps,
            f"s_low{i}": scatter.s_low_mps,
            f"s_high{i}": scatter.s_high_mps,
            f"anderson{i}": anderson_darling(group.sample.speed_mps),
        }
    places = combinations(range(1, len(groups) + 1), 2)
    for (i, j), pair in zip(places, compare_groups(groups).pairs, strict=True):
        for name, difference in (("plain", pair.plain), ("drift", pair.difference)):
            found |= {
                f"{name}{i}{j}": difference.difference_mps,
                f"{name}_dof{i}{j}": difference.dof,
                f"{name}_p{i}{j}": difference.p_value,
                f"{name}_holm{i}{j}": difference.p_overall,
            }
        found[f"drift_u{i}{j}"] = pair.difference.u_random_mps
        if min(group.series.n for group in groups) >= 5:
            found |= {
                f"ratio_low{i}{j}": pair.s_ratio_low,
                f"ratio_high{i}{j}": pair.s_ratio_high,
            }
    return found
