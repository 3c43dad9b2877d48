"""Rolling resistance: the fit against the closed form and an independent fit, and what makes a pair."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from telemetry.guided.attempts import Attempt
from telemetry.guided.coast_down import GRAVITY, TURNING_SHARE, fit_roll, rolling_resistance


def closed_form(t: np.ndarray, v0: float, a0: float, a2: float) -> np.ndarray:
    """Speed of what slows by ``a0 + a2 v²``: the integral by separation of variables (a textbook result)."""
    k = math.sqrt(a0 * a2)
    return math.sqrt(a0 / a2) * np.tan(math.atan(v0 * math.sqrt(a2 / a0)) - k * t)


@given(st.floats(5.0, 12.0), st.floats(0.1, 0.8), st.floats(0.001, 0.005))
def test_the_fit_returns_what_the_closed_form_was_made_with(v0: float, a0: float, a2: float) -> None:
    stops = math.atan(v0 * math.sqrt(a2 / a0)) / math.sqrt(a0 * a2)
    t = np.arange(0.0, 0.95 * stops, 0.2)
    found = fit_roll(t, closed_form(t, v0, a0, a2))
    assert found is not None
    assert found.a0 == pytest.approx(a0, rel=0.01)
    assert found.a2 == pytest.approx(a2, rel=0.05)


@pytest.mark.parametrize("seed", range(5))
def test_the_fit_agrees_with_an_independent_one_on_noisy_speeds(seed: int) -> None:
    """``scipy.optimize.curve_fit`` of the closed form itself, in place of the integrated equation."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 16.0, 0.2)
    speeds = closed_form(t, 8.0, 0.35, 0.003) + rng.normal(0.0, 0.02, len(t))
    found = fit_roll(t, speeds)
    (_, a0, _), covariance = curve_fit(closed_form, t, speeds, p0=(8.0, 0.3, 0.002), bounds=(1e-5, 20.0))
    assert found is not None
    assert found.a0 == pytest.approx(a0, abs=4.0 * math.sqrt(covariance[1, 1]))


def roll(number: int, c: float, slope: float, way: int, **facts: float) -> Attempt:
    """A roll of a machine with rolling resistance ``c``, uphill by ``slope`` on the way there."""
    a0 = GRAVITY * (c + slope * (1 - 2 * way)) / (1.0 + TURNING_SHARE.mid)
    start = number * 60_000_000
    return Attempt("coast-down", start, start + 20_000_000, facts={"a0_m_s2": a0, "way": way, **facts})


def there_and_back(c: float, slope: float, pairs: int = 3) -> list[Attempt]:
    return [roll(number, c, slope, number % 2) for number in range(2 * pairs)]


@given(st.floats(0.015, 0.09), st.floats(-0.4, 0.4))
def test_the_slope_of_a_stretch_cancels(c: float, share: float) -> None:
    found = rolling_resistance(there_and_back(c, share * min(c, 0.06)))
    assert found.value == pytest.approx(c)
    assert found.sigma is not None


@pytest.mark.parametrize(
    ("rolls", "why"),
    [
        ([], "0 of 6"),
        (there_and_back(0.03, 0.0, pairs=2), "4 of 6"),
        ([roll(number, 0.03, 0.01, 0) for number in range(6)], "there and back"),
        (there_and_back(0.03, 0.02), "too steep: the directions differ by 0.040"),
        (there_and_back(0.03, 0.0, 2) + there_and_back(0.04, 0.0, 1), "differ by 0.010"),
        (there_and_back(0.03, 0.0, 2) + there_and_back(0.03, 0.01, 1), "their slopes by 0.020"),
    ],
)
def test_what_is_no_three_pairs_says_why(rolls: list[Attempt], why: str) -> None:
    found = rolling_resistance(rolls)
    assert found.value is None
    assert why in found.why


def test_the_position_tells_the_direction_and_the_stretch() -> None:
    def at(each: Attempt, number: int, apart_m: float) -> Attempt:
        place = {"heading_deg": 180.0 * (number % 2), "length_m": 50.0, "longitude": 0.0}
        place["latitude"] = 50.0 + (number % 2) * apart_m / 111_200.0
        return replace(each, facts={**each.facts, "way": 0.0, **place})

    rolls = there_and_back(0.03, 0.005)
    near, far = ([at(each, number, apart) for number, each in enumerate(rolls)] for apart in (30.0, 80.0))
    assert rolling_resistance(near).value == pytest.approx(0.03)
    assert rolling_resistance(far).value is None
