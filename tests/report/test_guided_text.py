"""The result of a guided drive as text, page and JSON."""

from __future__ import annotations

import json
from functools import cache

from telemetry.guided.attempts import Attempt
from telemetry.guided.checks import at_most, told, unknown
from telemetry.guided.judging import StepResult, verdict
from telemetry.guided.result import GuidedResult, JudgedSession
from telemetry.guided.steps import STEPS
from telemetry.machine.machine_file import parse_machine
from telemetry.report.guided_page import result_page
from telemetry.report.guided_text import SIGNATURE, result_lines, result_object

MACHINE = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n[machine]\nname = "a <b>& cart"\n'
ORIGIN = 1_767_225_600_000_000


@cache
def result() -> GuidedResult:
    machine, _ = parse_machine(MACHINE, "cart.toml")
    assert machine is not None
    refused = Attempt("pulls", ORIGIN + 65_000_000, ORIGIN + 71_000_000, refused="too short: 6 of 10 s")
    good = Attempt(
        "pulls", ORIGIN + 5_000_000, ORIGIN + 15_000_000, facts={"peak_a": 61.25, "throttle": float("nan")}
    )
    steps = tuple(
        StepResult(step, "not judged", why="not found in the recording", session="session 4") for step in STEPS
    )
    checks = (
        at_most("internal resistance, 10 s", "mΩ", 21.4, 30.0, "1.3 times the stated 23 mΩ", sigma=0.4),
        told("internal resistance, 1 s", "mΩ", 16.2, 0.3),
        unknown("resistance of each cell", "times", "record every cell"),
    )
    pulls = StepResult(STEPS[2], "pass", checks, (good, refused), session="session 4")
    failed = StepResult(STEPS[3], "fail", (at_most("peak current", "A", 210.0, 180.0, "stated", fails=200.0),))
    steps = (*steps[:2], pulls, failed, *steps[4:])
    session = JudgedSession("session 4", ORIGIN, 720.0, ORIGIN, "c0ffee" * 10, steps, other_machine=False)
    return GuidedResult(
        machine, "ab" * 32, "1.0", "caution", "not done", (session,), steps, (), verdict(steps), {"session 4": ORIGIN}
    )


def test_the_text_says_each_step_with_figure_error_bound_origin_and_reason() -> None:
    lines = result_lines(result())
    text = " ".join(" ".join(lines).split())
    assert max(map(len, lines)) <= 80
    assert lines[0].startswith("a <b>& cart: ■ FAIL. Failed: Full launches.")
    assert "● internal resistance, 10 s: 21.4 ± 0.7 mΩ; at most 30 mΩ (1.3 times the stated 23 mΩ)" in text
    assert "Attempts: 1 counted at 0:00:05; refused at 0:01:05: too short: 6 of 10 s." in text
    assert "■ peak current: 210 A; at most 180 A; above 200 A fails (stated)" in text
    assert "To get it judged: Key off for 2 minutes" in text
    assert "session 4, 2026-01-01" in text
    assert "SHA-256 abababababababab" in text


def test_the_page_is_whole_and_has_a_place_to_sign() -> None:
    page = result_page(result())
    assert "a &lt;b&gt;&amp; cart" in page
    assert "<b>& cart" not in page
    assert page.count("<tr>") == page.count("</tr>")
    assert all(f"<span>{each}</span>" in page for each in SIGNATURE)
    assert '<span class="badge past">■ FAIL</span>' in page
    assert "licensed electrician" in page


def test_the_object_is_json_without_what_is_not_a_number() -> None:
    shown = json.loads(json.dumps(result_object(result()), allow_nan=False))
    pulls = next(each for each in shown["steps"] if each["step"] == "pulls")
    assert shown["verdict"] == "FAIL"
    assert [each["word"] for each in pulls["figures"]] == ["pass", None, None]
    assert pulls["attempts"][0]["facts"] == {"peak_a": 61.25, "throttle": None}
    assert pulls["attempts"][1]["start_s"] == 65.0
    assert len(shown["steps"]) == len(STEPS)
