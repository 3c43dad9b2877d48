"""What the fit check found, and what a tried change would make of it, as JSON and as text for 80 columns."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from telemetry.machine.cautions import MAINS, STORED_ENERGY, shock_caution
from telemetry.machine.fit import Finding, Verdict, overall
from telemetry.machine.fit.charging import VOLT_A_CELL
from telemetry.machine.fit.findings import amount
from telemetry.machine.sections import Machine, find_key
from telemetry.model.keys import Key
from telemetry.model.words import capital

WIDTH = 79
_KEYS = ("check", "verdict", "value", "limit", "unit", "why", "source")
_ORDER: tuple[Verdict, ...] = ("stop", "caution", "unknown", "ok")
_BADGES: dict[Verdict, str] = {"stop": "[X] STOP", "caution": "[!] CAUTION", "unknown": "[?] UNKNOWN", "ok": "[+] OK"}
# IEC 60073: red danger, yellow caution, green safe; what is unknown has no colour. Word and shape say it without.
_COLOURS: dict[Verdict, str] = {"stop": "1;31", "caution": "33", "unknown": "0", "ok": "32"}
_MEANINGS: dict[Verdict, str] = {
    "stop": "do not power it up like this",
    "caution": "usable if you know the points below",
    "unknown": "the file lacks the figures to judge it",
    "ok": "the stated figures fit",
}


def fit_object(findings: Sequence[Finding]) -> dict[str, Any]:
    """Return the JSON object: the overall verdict, and every finding; unknown figures are None."""
    return {
        "verdict": overall(findings),
        "findings": [{key: getattr(finding, key) for key in _KEYS} for finding in findings],
    }


def fit_lines(
    machine: Machine, findings: Sequence[Finding], colour: bool = False, measured: Sequence[str] = ()
) -> list[str]:
    """Return the text: verdict, findings with the worst first, where the limits come from, cautions.

    Args:
        machine: what was judged.
        findings: in the order of the checks.
        colour: repeat each verdict in colour, by terminal escapes.
        measured: lines on what a drive measured, put before the findings.

    """
    verdict = overall(findings)
    counts = ", ".join(f"{sum(f.verdict == each for f in findings)} {each}" for each in _ORDER)
    lines = [f"{machine.name}: {_badge(verdict, colour)}: {_MEANINGS[verdict]}", f"{len(findings)} checks: {counts}"]
    if machine.bench:
        lines += wrapped("The file describes no machine: the pack is checked by itself, on a bench.", "")
    lines += measured
    judged = [finding for finding in findings if not finding.lacking]
    ordered = [finding for each in _ORDER for finding in judged if finding.verdict == each]
    sources = list(dict.fromkeys(part for finding in ordered for part in _parts(finding)))
    for finding in ordered:
        lines += ["", *finding_lines(finding, sources, colour)]
    lines += [*look_up_lines(findings), "", *source_lines(sources)]
    return [*lines, "", "Before you touch anything", *_caution_lines(machine)]


def summary_lines(machine: Machine, findings: Sequence[Finding], colour: bool = False) -> list[str]:
    """Return the verdict, the stops and cautions, and what to look up; not what fits."""
    bad = [finding for verdict in ("stop", "caution") for finding in findings if finding.verdict == verdict]
    lines = [f"{machine.name}: {_badge(overall(findings), colour)}: {_MEANINGS[overall(findings)]}"]
    for finding in bad:
        lines += ["", *finding_lines(finding, colour=colour)]
    return [*lines, *look_up_lines(findings)]


def finding_lines(finding: Finding, sources: Sequence[str] = (), colour: bool = False) -> list[str]:
    """Return one finding: badge, check and figures, then the reason with the numbers of its ``sources``."""
    cited = "".join(f"[{sources.index(part) + 1}]" for part in _parts(finding) if part in sources)
    first = f"{_badge(finding.verdict, colour)}  {finding.check}{_figures(finding)}"
    return [first, *wrapped(f"{sentence(finding)} {cited}", "    ")]


def source_lines(sources: Sequence[str]) -> list[str]:
    """Return the numbered list of sources."""
    lines = ["Where the limits come from"]
    for number, source in enumerate(sources, 1):
        lines += wrapped(source, "     ", f"{f'[{number}]':4} ")
    return lines


def _parts(finding: Finding) -> list[str]:
    """Return the sources of one finding, which join several by semicolons."""
    return finding.source.split("; ")


def _badge(verdict: Verdict, colour: bool) -> str:
    badge = _BADGES[verdict]
    return f"\x1b[{_COLOURS[verdict]}m{badge}\x1b[0m" if colour else badge


def _figures(finding: Finding) -> str:
    """Return value and limit for the line of a check's name; more digits where they would read alike."""
    figures = [("", finding.value), ("limit ", finding.limit)]
    digits = 4 if finding.unit == VOLT_A_CELL else 3
    said = [f"{name}{amount(figure, finding.unit, digits)}" for name, figure in figures if figure is not None]
    if finding.value != finding.limit and len(said) == 2 and said[1] == f"limit {said[0]}":
        said = [f"{name}{figure:.6g} {finding.unit}" for name, figure in figures if figure is not None]
    return f": {', '.join(said)}" if said else ""


def sentence(finding: Finding) -> str:
    """Return the reason; of what a file lacks only the keys, since where to find them is shown once below."""
    if not finding.lacking:
        return _sentence(finding.why)
    keys = ", ".join(find_key(*key).place for key in finding.lacking)
    return f"Not stated: {keys}." + (f" {_sentence(finding.note)}" if finding.note else "")


def look_up_lines(findings: Sequence[Finding]) -> list[str]:
    """Return every lacking key once, with where an owner finds it and the checks that need it.

    Keys that are found in one place are listed together. What can be said without a check's keys follows the first.
    """
    waiting = [finding for finding in findings if finding.lacking]
    wanted = Counter(key for finding in waiting for key in finding.lacking)
    keys = [find_key(*name) for name, _ in wanted.most_common()]
    places = Counter(key.find for key in keys)
    count = f"needed by {len(waiting)} check{'s' if len(waiting) > 1 else ''}"
    lines = ["", f"To look up, most useful first ({count})"] if waiting else []
    noted: set[str] = set()
    together = [place for place, shared in places.items() if shared > 1]
    alone = [None] if len(together) < len(places) else []
    for place in [*together, *alone]:
        heading = place or ("Elsewhere" if together else "")
        lines += ["", *wrapped(f"{capital(heading)}", "")]
        for key in (each for each in keys if each.find == place or (place is None and each.find not in together)):
            needing = [finding for finding in waiting if (key.section, key.name) in finding.lacking]
            first = [each for each in needing if each.note and each.lacking[0] == (key.section, key.name)]
            notes = [note for each in first if (note := _sentence(each.note)) not in noted]
            noted |= set(notes)
            find = [] if place else [f"Find it: {key.find}."]
            lines += _look_up(key, [f"Needed for {', '.join(each.check for each in needing)}.", *find, *notes])
    return lines


def _look_up(key: Key, sentences: Sequence[str]) -> list[str]:
    unit = f", in {key.unit}" if key.unit else ""
    return [*wrapped(f"{key.place}: {key.meaning}{unit}.", "  ", "- "), *wrapped(" ".join(sentences), "  ")]


def _sentence(why: str) -> str:
    """Return ``why`` as a sentence of its own, behind a badge that has already said unknown."""
    text = why.removeprefix("unknown: ")
    text = capital(text)
    return text if text.endswith((".", "!", "?")) else f"{text}."


def wrapped(text: str, indent: str, first: str | None = None) -> list[str]:
    """Return ``text`` in lines of the terminal's width; ``first`` opens the first of them in place of ``indent``."""
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=indent if first is None else first,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _caution_lines(machine: Machine) -> list[str]:
    cell = machine.pack.cell
    cautions = [
        *([shock] if (shock := shock_caution(machine)) else []),
        STORED_ENERGY,
        "Disconnect the pack before any work, and measure to confirm it. Cell joints stay live even then.",
        "Put the fuse at the pack, within a hand's breadth (178 mm, ABYC E-11, from memory) of the positive post.",
        *(
            [f"Never charge {cell.name} cells below {cell.charge_low_c:g} °C; regen counts too."]
            if cell.charge_low_c >= 0
            else []
        ),
        f"{MAINS} Makers' sheets and local codes come before this list.",
        "While it moves, watch where you are going, not the screen.",
    ]
    return [line for caution in cautions for line in wrapped(caution, "  ", "- ")]


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
