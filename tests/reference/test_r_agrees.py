"""R (Debian's r-base-core) finds the same statistics in the demo recordings, to 1e-9."""

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from test_anova_and_outliers import CRITICAL, DEVIATES, ROSNER

from chrono.measuring.scatter import (
    anderson_darling,
    critical_deviate,
    extreme_deviates,
    scatter_of,
)
from chrono.measuring.setup_comparison import (
    compare_pair,
    compare_series,
    one_way,
    tukey_intervals,
)
from chrono.session.pooled_samples import groups_of
from chrono.session.recording_loader import read_recording

SCRIPT = Path(__file__).with_name("agrees.R")
RECORDINGS = sorted((Path(__file__).parents[2] / "recordings").glob("*.tsv"))


@pytest.fixture(name="rscript")
def _rscript() -> str:
    found = shutil.which("Rscript")
    if found is None:
        message = "Rscript missing: install Debian's package r-base-core"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    return found


@pytest.mark.parametrize("recording", RECORDINGS, ids=lambda path: path.stem)
def test_r_agrees(rscript: str, recording: Path, tmp_path: Path) -> None:
    recorded = read_recording(recording)
    groups = groups_of([recorded])
    table = tmp_path / "shots.csv"
    rows = ["setup,speed_mps,counted"]
    rows += [
        f"{place},{float(speed)!r},true"
        for place, group in enumerate(groups)
        for speed in group.sample.speed_mps
    ]
    table.write_text("\n".join(rows))
    out = subprocess.run(
        [rscript, "--vanilla", SCRIPT, table], capture_output=True, text=True, check=True
    ).stdout
    by_r = {name: float(value) for name, value in (line.split() for line in out.splitlines())}

    found = ours(groups)
    for name, value in by_r.items():
        assert found.pop(name) == pytest.approx(value, rel=1e-9), name
    assert not found


def test_r_finds_rosner_s_table_and_the_ranges_that_tukey_s_intervals_take(
    rscript: str, tmp_path: Path
) -> None:
    """The printed values are from memory: R's own distributions give them too."""
    table = tmp_path / "values.txt"
    table.write_text(" ".join(map(repr, ROSNER.tolist())))
    script = Path(__file__).with_name("outliers.R")
    out = subprocess.run(
        [rscript, "--vanilla", script, table], capture_output=True, text=True, check=True
    ).stdout
    by_r = {name: float(value) for name, value in (line.split() for line in out.splitlines())}

    _, deviates = extreme_deviates(ROSNER, 10)
    for i in range(10):
        assert by_r[f"deviate{i + 1}"] == pytest.approx(deviates[i], rel=1e-9)
        assert by_r[f"deviate{i + 1}"] == pytest.approx(DEVIATES[i], abs=1e-3)
        assert by_r[f"critical{i + 1}"] == pytest.approx(critical_deviate(54 - i), rel=1e-9)
        assert by_r[f"critical{i + 1}"] == pytest.approx(CRITICAL[i], abs=1.1e-3)
    groups = [np.arange(5.0), np.arange(5.0) + 1, np.arange(5.0) + 3]
    half = (tukey_intervals(groups)[0].high - tukey_intervals(groups)[0].low) / 2
    s = np.sqrt(2.5 / 5)
    assert half / s == pytest.approx(by_r["q3_12"], rel=1e-6)
    wide = tukey_intervals(groups, [(1e6, 0.0)] * 3)[0]
    assert (wide.high - wide.low) / 2e6 * np.sqrt(2) == pytest.approx(by_r["q3"], rel=1e-4)


def ours(groups) -> dict[str, float]:
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
    if len(groups) == 2:
        pair, welch = compare_pair(*groups), compare_series(*(g.series for g in groups))
        found |= {
            "difference": welch.difference_mps,
            "t": welch.t,
            "dof": welch.dof,
            "p": welch.p_value,
            "ratio_low": pair.s_ratio_low,
            "ratio_high": pair.s_ratio_high,
            "F": one_way([g.sample.speed_mps for g in groups]).F,
        }
    return found
