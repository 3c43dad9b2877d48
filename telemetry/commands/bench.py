"""``shakedown watch --bench``: one part tried with the wheels up, no drive."""

from __future__ import annotations

import sys
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from telemetry.commands.options import say

if TYPE_CHECKING:
    from telemetry.machine.sections import Machine


def run_bench(machine: Machine, bench: Any, options: Any) -> int:
    """Watch the machine until the test is over, and judge; 1 where something is wrong or nothing could be judged.

    Args:
        machine: whose sources are watched.
        bench: ``throttle`` or ``enabled``.
        options: an ``join.RunOptions``.

    Raises:
        InputError: no source gave the signal.
    """
    import json

    from telemetry.model.errors import InputError
    from telemetry.report.bench_text import HOW, bench_cautions, bench_chart, bench_lines, bench_object, next_step
    from telemetry.report.bench_watch import LONGEST_S, BenchTest
    from telemetry.runs import join

    sys.stderr.write("\n".join([*bench_cautions(machine), *HOW[bench], ""]))
    sys.stderr.flush()
    test = BenchTest(bench, None if options.as_json else options.out)
    for_s = options.for_s or LONGEST_S
    status = join.watch(machine, replace(options, screen=False, for_s=for_s, listen=test.listen, on_bench=True))
    result = test.result()
    if result is None:
        wanted = "throttle_voltage" if bench == "throttle" else "enable_voltage, controller_voltage or motor_speed"
        raise InputError(
            f"no source gave {wanted}, so there is nothing to judge; wire it to a logger and name it in a [[source]]"
        )
    if options.as_json:
        say(json.dumps(bench_object(bench, result), allow_nan=False))
    else:
        lines = [line for each in (*bench_lines(result), next_step(result)) for line in _wrapped(each)]
        say("\n".join([*bench_chart(test, result), *lines]))
    return status or int(not result.is_sound)


def _wrapped(line: str) -> list[str]:
    """Return ``line`` as lines of a narrow terminal, without breaking the name of an option."""
    from textwrap import wrap

    return wrap(line, 80, subsequent_indent="  ", break_on_hyphens=False)
