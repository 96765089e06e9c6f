"""The page on measurements: its figures are what the code gives, and the data are those of the published table."""

import csv
import re
from pathlib import Path

import numpy as np
import pytest

from measured import ABS_RUNS, abs_force, pla_limits

HERE = Path(__file__).parent
PAGE = (HERE.parents[1] / "docs" / "against-measurement.md").read_text()


def _row(start):
    (line,) = [row for row in PAGE.splitlines() if row.startswith(f"| {start} |")]
    return [[float(v) for v in re.findall(r"\d+\.?\d*", cell)] for cell in line.split("|")[2:-1]]


def test_published_abs_runs_are_the_table():
    # Osswald, Puentes, Kattinger 2018, Addit. Manuf. 22, Table 2 (second-hand transcription)
    with (HERE / "melt_force_speed_abs.csv").open() as file:
        rows = [[float(r[k]) for k in ("T_C", "force_N", "speed_mm_s", "sd_mm_s")] for r in csv.DictReader(file)]
    assert np.array_equal(ABS_RUNS, np.array(rows))


@pytest.mark.parametrize("k", [0, 1])
def test_regression_the_page_shows_what_the_chain_gives_for_abs(k):
    found = abs_force()[k]
    fitted, measured, predicted, rmse, plain = _row(found.split)
    assert [round(found.heated_length_mm, 2), round(found.nozzle_mm, 2)] == fitted
    assert list(found.measured_n) == measured
    assert [round(v, 1) for v in found.predicted_n] == predicted
    assert [round(found.rmse_n, 1), round(found.plain_rmse_n, 1)] == [*rmse, *plain]


@pytest.mark.parametrize(("k", "start"), [(0, "0.4, 12.5"), (1, "1.2, 21.0"), (2, "1.2, 51.5")])
def test_published_pla_melt_rates(k, start):
    # Wuest and others 2026, J. Manuf. Mater. Process. 10(7):233, Table 1: 13.0, 38.5, 87.5 mm3/s (second-hand notes)
    found = pla_limits()[k]
    measured, axis, mean = _row(start)
    assert [found.measured] == measured
    assert [round(found.axis, 1), round(found.mean, 1)] == [*axis, *mean]
    assert 0.95 * found.axis < found.measured < found.mean


def test_limit_the_chain_predicts_runs_it_was_not_fitted_on():
    middle, hotter = abs_force()
    assert middle.rmse_n < 2.83  # yardstick of a seven-parameter fit (Andreucci, Pace, Lambiase, abstract): 2.83 N
    assert middle.rmse_n < hotter.rmse_n < hotter.plain_rmse_n
