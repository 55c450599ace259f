"""The export as its user meets it: formats, decimal commas, what the columns mean."""

import csv
import io

import pandas as pd
import pytest
from command_kit import is_one_clear_complaint
from season_kit import BANDS, HALL, PLAIN

from chrono.reports.export_table import columns_text


def test_the_columns_are_explained_without_any_recording(chrono) -> None:
    outcome = chrono("export", "--columns")
    assert outcome.code == 0
    assert outcome.out.strip() == columns_text()


def test_decimal_commas_go_to_standard_output_too(chrono) -> None:
    told = chrono("export", BANDS, "--decimal-comma").out
    first = next(csv.DictReader(io.StringIO(told), delimiter=";"))
    assert first["body_length_mm"] == "40,036"


@pytest.mark.parametrize("words", [("--json",), ("-o", "a.xlsx"), ("-o", "a.parquet")])
def test_decimal_commas_elsewhere_than_in_csv_are_refused(chrono, tmp_path, words) -> None:
    outcome = chrono("export", BANDS, "--decimal-comma", *words)
    is_one_clear_complaint(outcome, "--decimal-comma")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "words", [("--json", "-o", "a.csv"), ("--against", BANDS, "--decimal-comma")]
)
def test_options_that_ask_for_two_formats_are_refused(chrono, tmp_path, words) -> None:
    is_one_clear_complaint(chrono("export", BANDS, *words), "cannot be used together")
    assert not list(tmp_path.iterdir())
    assert chrono("export", BANDS, "--json", "-o", "a.json").code == 0


def test_a_workbook_is_written_with_all_recordings(chrono, tmp_path) -> None:
    outcome = chrono("export", BANDS, HALL, PLAIN, "-o", "a.xlsx")
    assert outcome.code == 1, "a lamp flickers in the noisy hall"
    assert "the command wrote 140 shots to a.xlsx" in outcome.err
    sheets = pd.read_excel(tmp_path / "a.xlsx", sheet_name=None)
    assert list(sheets) == ["shots", "setups", "rig", "columns"]
    assert len(sheets["shots"]) == 140
    assert sheets["rig"]["rig"].max() == 3
    assert sheets["setups"]["shots"].sum() == 140


@pytest.mark.parametrize("ending", ["csv", "json", "xlsx", "parquet"])
def test_the_command_counts_the_shots_that_it_wrote(chrono, ending) -> None:
    assert f"wrote 40 shots to a.{ending}" in chrono("export", BANDS, "-o", f"a.{ending}").err
