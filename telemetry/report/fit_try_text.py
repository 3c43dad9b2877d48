"""The findings that a tried change makes different, as JSON and as text for a terminal of 80 columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from telemetry.machine.fit import Finding, overall
from telemetry.report.fit_text import finding_lines, fit_object, sentence, source_lines, wrapped

Change = tuple[str, Finding | None, Finding | None]


def changes_of(before: Sequence[Finding], after: Sequence[Finding]) -> list[Change]:
    """Return name, finding before and finding after of each check where they differ; None where it did not apply."""
    old, new = ({each.check: each for each in findings} for findings in (before, after))
    names = dict.fromkeys([*new, *old])
    return [(name, old.get(name), new.get(name)) for name in names if old.get(name) != new.get(name)]


def try_object(made: Mapping[str, object], before: Sequence[Finding], after: Sequence[Finding]) -> dict[str, Any]:
    """Return the JSON object: verdict and findings after the change, the verdict before it, and what changed."""
    changes = [
        {"check": name, "before": _object(old), "after": _object(new)} for name, old, new in changes_of(before, after)
    ]
    tried = {"tried": dict(made), "verdict_before": overall(before), "changes": changes}
    return fit_object(after) | tried


def try_lines(
    name: str, made: Mapping[str, object], before: Sequence[Finding], after: Sequence[Finding], colour: bool = False
) -> list[str]:
    """Return the text: what was tried, the verdict before and after, and each finding that changed."""
    tried = ", ".join(f"{key} = {_value(value)}" for key, value in made.items())
    lines = wrapped(
        f"{name} with {tried}: {overall(before)} before, {overall(after)} after. Nothing was written.", ""
    )
    changes = changes_of(before, after)
    if not changes:
        return [*lines, "No finding changes."]
    sources = list(dict.fromkeys(part for *_, new in changes if new for part in new.source.split("; ")))
    for name, old, new in changes:
        was = "not applicable." if old is None else f"{old.verdict}. {sentence(old)}"
        lines += ["", *wrapped(f"{name}, before: {was}", "    ", "")]
        lines += ["Now not applicable."] if new is None else finding_lines(new, sources, colour)
    return [*lines, "", *source_lines(sources)]


def _object(finding: Finding | None) -> dict[str, Any] | None:
    return None if finding is None else fit_object([finding])["findings"][0]


def _value(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value).lower() if isinstance(value, bool) else str(value)
