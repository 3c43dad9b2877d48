"""What is known of an instrument's errors: stated limits, comparisons with a meter, and both by date.

The rule for a stated limit is published: Guide to the Expression of Uncertainty in Measurement, JCGM 100:2008, 4.3.7
(a limit of ±a with nothing else known: a / sqrt 3). Drawn instruments show that errors lie within the bounds.
"""

from __future__ import annotations

import math
from datetime import UTC, date, datetime

import numpy as np
import pytest

from telemetry.analysis.instruments import InstrumentErrors, corrected, errors_at
from telemetry.analysis.ranges import Z90
from telemetry.analysis.session_figures import figures_of
from telemetry.machine.machine_file import Machine, parse_machine
from telemetry.model.batch import MICROSECONDS
from tests.analysis.test_session_totals import series_of
from tests.reference.random_packs import draw

PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n[instruments]\n'


def machine(*lines: str) -> Machine:
    found, problems = parse_machine(PACK + "\n".join(lines), "m.toml")
    assert found is not None, problems
    return found


def at(day: str, *lines: str) -> InstrumentErrors:
    moment = datetime.combine(date.fromisoformat(day), datetime.min.time(), UTC).timestamp()
    return errors_at(machine(*lines), round(moment * MICROSECONDS))


def test_a_stated_limit_is_taken_as_uniform() -> None:
    errors = at("2026-05-01", "current_gain_percent = 1", "current_offset_a = 0.3", "voltage_gain_percent = 0.2")
    assert errors.current.gain_sd == pytest.approx(0.01 / math.sqrt(3))
    assert errors.current.offset_sd == pytest.approx(0.3 / math.sqrt(3))
    assert errors.voltage.gain_sd == pytest.approx(0.002 / math.sqrt(3))
    assert errors.current.ground == "stated"
    assert at("2026-05-01").current.ground == "usual"


CHECKS = ("current_meter_percent = 1", 'current_checks = [["2026-05-04", 61.8, 60], ["2026-05-04", 0.2, 0]]')


def test_a_check_counts_from_its_day_on_and_fades() -> None:
    before, after, late = (at(day, *CHECKS).current for day in ("2026-05-03", "2026-05-04", "2029-05-04"))
    assert before.gain == 0.0
    assert before.ground == "usual"
    assert after.gain == pytest.approx(0.014, abs=0.003), "half way: the sensor is as likely right as the meter"
    assert after.offset == pytest.approx(0.2, abs=0.06)
    assert after.gain_sd < 0.8 * before.gain_sd
    assert after.gain_sd < late.gain_sd <= before.gain_sd
    assert errors_at(machine(*CHECKS), None).current == before, "a recording without a date"


def test_many_pairs_never_make_a_reading_better_than_the_meter() -> None:
    pairs = ", ".join(f'["2026-05-04", {40.5 + k}, {40 + k}]' for k in range(40))
    found = at("2026-05-04", "current_meter_percent = 1", f"current_checks = [{pairs}]")
    assert found.current.gain_sd > 0.69 * 0.01 / math.sqrt(3), "1 / sqrt 2: sensor and meter are equally exact"


def test_readings_are_set_right_and_only_where_something_is_known() -> None:
    t = np.arange(0, 60.0)
    session = series_of(t, pack_voltage=0 * t + 51.2, pack_current=0 * t + 41.4)
    assert corrected(session, at("2026-05-03", *CHECKS)) is session
    fixed = corrected(session, errors := at("2026-05-04", *CHECKS))
    current, voltage = fixed.get("pack_current"), fixed.get("pack_voltage")
    assert current is not None
    assert current.values[0] * (1 + errors.current.gain) + errors.current.offset == pytest.approx(41.4)
    assert voltage is session.get("pack_voltage")


def test_the_errors_lie_within_their_bounds() -> None:
    """Drawn instruments and meters within their limits, compared on one day at one to three loads."""
    random = np.random.default_rng(4)
    held_gain = held_true = 0
    for _ in range(300):
        gain, meter = random.uniform(-0.02, 0.02), random.uniform(-0.01, 0.01)
        offset, zero = random.uniform(-0.5, 0.5), random.uniform(-0.2, 0.2)
        loads = random.uniform(5, 90, random.integers(1, 4))
        rows = [
            ["2026-05-04", round(a * (1 + gain) + offset + random.normal(0, 0.002 * a), 1), a * (1 + meter) + zero]
            for a in loads.tolist()
        ]
        found = at(
            "2026-05-04",
            "current_gain_percent = 2\ncurrent_offset_a = 0.5\ncurrent_step_a = 0.1",
            "current_meter_percent = 1\ncurrent_meter_a = 0.2",
            f"current_checks = {rows}".replace("'", '"'),
        ).current
        held_gain += abs(found.gain - gain) <= Z90 * found.gain_sd
        held_true += abs(found.offset - offset) <= Z90 * found.offset_sd
    assert 0.84 <= held_gain / 300 <= 0.97
    assert 0.84 <= held_true / 300 <= 0.97


@pytest.mark.parametrize(
    ("planted", "said"),
    [
        ("current_checks = [[60.2, 60.9]]", "a date and two readings"),
        ('current_checks = [["4 May", 60.2, 60.9]]', 'dates a check "4 May"'),
        ('current_checks = [["2026-05-04", -60.2, 60.9]]', "check sign"),
        ('voltage_checks = [["2026-05-04", 5.31, 53.1]]', "check sign, unit and decimal point"),
        ("current_gain_percent = 0.005", "as a fraction of 1"),
    ],
)
def test_a_mistake_is_named(planted: str, said: str) -> None:
    found, problems = parse_machine(PACK + planted, "m.toml")
    assert found is None
    assert said in str(problems[0]), problems


def test_a_date_may_stand_without_quotes() -> None:
    assert at("2026-05-05", "current_checks = [[2026-05-04, 61.8, 60]]").current.ground == "checked"


def test_what_a_cell_lacks_is_known_no_better_than_the_cells_are_read() -> None:
    pack = draw(3, "nmc", "mow", "none")
    of_pack = f'[pack]\nchemistry = "nmc"\ncells_in_series = {len(pack.mohm)}\ncapacity_ah = {pack.rated_ah}\n'
    widths = []
    for stated in ("", "[instruments]\ncell_error_mv = 60\n"):
        found, problems = parse_machine(of_pack + stated, "m.toml")
        assert found is not None, problems
        cells = figures_of(pack.series, found).cells
        assert cells is not None
        widths.append(np.median([each.missing_top_uncertainty_pct for each in cells.charges]))
    assert widths[1] > 1.2 * widths[0]
