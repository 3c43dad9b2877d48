"""``[fault_codes]``: what is read, and one clear sentence for each mistake. Invented names."""

from __future__ import annotations

import pytest

from telemetry.machine.fault_codes import LONGEST
from telemetry.machine.machine_file import parse_machine
from telemetry.model.fault_names import FaultNames

PACK = '[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100\n'


def problems_of(text: str) -> list[str]:
    return [f"{each.where}: {each.what}; {each.right}" for each in parse_machine(PACK + text, "cart.toml")[1]]


def test_bits_and_codes_are_read() -> None:
    text = '[fault_codes.extra_bms]\nbit_0 = "cell voltage high"\nbit_52 = "hot"\ncode_17 = " throttle fault "\n'
    machine, problems = parse_machine(PACK + text, "cart.toml")
    assert not problems
    assert machine is not None
    names = FaultNames({0: "cell voltage high", 52: "hot"}, {17: "throttle fault"})
    assert machine.fault_codes == {"extra_bms": names}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("fault_codes = 3\n", "is"),
        ('[fault_codes]\nextra_bms = "x"\n', "line 6, [fault_codes] extra_bms: is"),
        (
            '[fault_codes.pack_volts]\nbit_0 = "x"\n',
            "line 5, [fault_codes.pack_volts]: is no signal; did you mean pack_volt",
        ),
        ('[fault_codes.extra_bms]\nbit_53 = "x"\n', "line 6, [fault_codes.extra_bms] bit_53: is an unknown key"),
        ('[fault_codes.extra_bms]\nfour = "x"\n', "write bit_4 = "),
        ('[fault_codes.extra_bms]\nbit_04 = "x"\n', "is an unknown key"),
        ("[fault_codes.extra_bms]\nbit_4 = 4\n", "name the fault in 1 to 40 characters"),
        ('[fault_codes.extra_bms]\nbit_4 = " "\n', "name the fault in 1 to 40 characters"),
        (f'[fault_codes.extra_bms]\nbit_4 = "{"x" * (LONGEST + 1)}"\n', "name the fault in 1 to 40 characters"),
        ('[fault_codes.extra_bms]\nbit_4 = "a\\u001b[2J"\n', "holds characters that cannot be seen"),
        ('[fault_code.extra_bms]\nbit_4 = "x"\n', "did you mean [fault_codes.SIGNAL]?"),
    ],
)
def test_each_mistake_is_told_with_its_place_and_the_remedy(text: str, said: str) -> None:
    if text.startswith("fault_codes ="):
        found = [f"{p.where}: {p.what}; {p.right}" for p in parse_machine(text + PACK, "cart.toml")[1]]
    else:
        found = problems_of(text)
    assert len(found) == 1
    assert said in found[0]


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0.0, {}),
        (1.0, {"high": "bit 0"}),
        (3.0, {"high": "bit 0"}),
        (17.0, {"high": "bit 0", "low": "bit 4", "throttle": "code 17"}),
        (2.0**52, {"hot": "bit 52"}),
        (-1.0, {}),
        (16.5, {}),
        (float("nan"), {}),
        (float("inf"), {}),
    ],
)
def test_a_value_says_the_faults_that_have_names(value: float, said: dict[str, str]) -> None:
    assert FaultNames({0: "high", 4: "low", 52: "hot"}, {17: "throttle"}).said(value) == said
