from __future__ import annotations

import tomllib
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.machine.chemistry import CHEMISTRIES
from telemetry.machine.interview import interview, read_cells, read_conductor
from telemetry.machine.machine_file import Machine, parse_machine
from telemetry.machine.new_machine import new_machine_text
from telemetry.machine.sections import section_keys
from telemetry.model.keys import BadValue
from telemetry.model.questions import Question
from telemetry.model.toml_text import toml_value


def parsed(text: str) -> Machine:
    machine, problems = parse_machine(text, "new.toml")
    assert problems == []
    assert machine is not None
    return machine


def answering(answers: dict[str, list[str]], seen: list[Question] | None = None) -> Callable[[Question], str]:
    """Answer each question in turn from its list, then by its default."""

    def ask(question: Question) -> str:
        if seen is not None:
            seen.append(question)
        waiting = answers.get(question.key, [])
        return waiting.pop(0) if waiting else question.default

    return ask


class TestTheText:
    def test_without_answers_it_parses_and_is_what_the_defaults_give(self) -> None:
        text = new_machine_text({})
        machine = parsed(text)
        assert (machine.pack.chemistry, machine.pack.cells_in_series, machine.pack.capacity_ah) == ("lfp", 16, 100.0)
        assert machine.sources == ()
        assert interview(lambda question: question.default) == text

    @pytest.mark.parametrize("chemistry", CHEMISTRIES)
    def test_each_chemistry_has_its_usual_pack(self, chemistry: str) -> None:
        machine = parsed(interview(answering({"pack.chemistry": [chemistry]})))
        assert machine.pack.cells_in_series == CHEMISTRIES[chemistry].usual_cells
        assert 44.0 <= machine.pack.nominal_v <= 52.0

    def test_every_unknown_key_stands_as_a_comment_with_where_to_find_it(self) -> None:
        flat = " ".join(line.removeprefix("# ") for line in new_machine_text({}).splitlines())
        stated = tomllib.loads(new_machine_text({}))
        for section in ("pack", "wiring", "machine", "charger", "work"):
            for key in section_keys(section):
                if key.name not in stated[section]:
                    assert f"{key.name} = ?" in flat
                    assert f"Find it: {key.find}." in flat

    def test_a_key_filled_in_by_hand_parses(self) -> None:
        text = new_machine_text({})
        for section in ("pack", "wiring", "machine", "charger", "work"):
            for key in section_keys(section):
                if key.name != "conductor_awg":
                    text = text.replace(f"# {key.name} = ?", f"{key.name} = {toml_value(key.example)}")
        assert parsed(text).vehicle.foldback_voltage_v == 46.0

    def test_it_carries_the_cautions(self) -> None:
        flat = " ".join(line.removeprefix("# ") for line in new_machine_text({}).splitlines())
        assert "Never bypass a fuse" in flat
        assert "local codes" in flat

    @settings(max_examples=60, deadline=None)
    @given(st.text(st.characters(exclude_categories=["Cs"]), max_size=60))
    def test_text_goes_into_toml_and_out_again(self, text: str) -> None:
        if text.isprintable():
            assert tomllib.loads(f"a = {toml_value(text)}") == {"a": text}


class TestTheInterview:
    def test_all_questions_answered(self) -> None:
        answers = {
            "machine.name": ['the "old" orchard machine'],
            "pack.chemistry": ["NMC"],
            "pack.cells_in_series": ["51.8 V"],
            "pack.capacity_ah": ["60,5 Ah"],
            "pack.continuous_discharge_a": ["80"],
            "machine.minimum_voltage_v": ["42 V"],
            "machine.maximum_voltage_v": ["63"],
            "charger.output_voltage_v": ["58.8"],
            "charger.output_current_a": ["10 A"],
            "wiring.fuse_a": ["100"],
            "wiring.conductor_mm2": ["2/0"],
            "source.driver": ["serial-text"],
            "source.port": ["COM4"],
        }
        machine = parsed(interview(answering(answers)))
        assert not any(answers.values())
        assert machine.name == 'the "old" orchard machine'
        assert (machine.pack.cells_in_series, machine.pack.capacity_ah) == (14, 60.5)
        assert (machine.vehicle.minimum_voltage_v, machine.vehicle.maximum_voltage_v) == (42.0, 63.0)
        assert machine.wiring.conductor_awg == "2/0"
        (source,) = machine.sources
        assert (source.driver, source.settings) == ("serial-text", {"port": "COM4"})

    def test_bad_answers_are_explained_and_asked_again(self) -> None:
        seen: list[Question] = []
        answers = {
            "pack.chemistry": ["lithium", "lfp"],
            "pack.cells_in_series": ["48", "48 V", "many", "500", "15"],
            "pack.capacity_ah": ["0", "big", "20 kWh"],
            "machine.minimum_voltage_v": ["60"],
            "machine.maximum_voltage_v": ["42"],
            "wiring.conductor_mm2": ["4"],
            "source.driver": ["serial"],
        }
        machine = parsed(interview(answering(answers, seen)))
        assert machine.pack.cells_in_series == 15
        explained = [question.problem for question in seen if question.problem]
        assert len(explained) == 11
        assert "48 cells would be 154 V nominal; write 48 V if volts are meant" in explained[1]
        assert "packs of 15 or 16 lfp cells are sold as 48 V" in explained[2]
        assert "the answer is 42 V, below minimum_voltage_v of 60 V" in explained[8]
        assert "did you mean serial-text?" in explained[10]

    def test_a_unit_that_is_another_is_refused(self) -> None:
        seen: list[Question] = []
        interview(answering({"pack.capacity_ah": ["5.12 kWh"]}, seen))
        assert any("is not a number in Ah" in question.problem for question in seen)

    def test_what_decides_most_is_asked_first(self) -> None:
        seen: list[Question] = []
        interview(answering({}, seen))
        assert [question.key for question in seen] == [
            *("pack.chemistry", "pack.cells_in_series", "pack.capacity_ah"),
            *("machine.minimum_voltage_v", "machine.maximum_voltage_v", "wiring.fuse_a", "wiring.conductor_mm2"),
            *("charger.output_voltage_v", "charger.output_current_a", "pack.continuous_discharge_a"),
            *("machine.name", "source.driver"),
        ]

    def test_units_in_answers(self) -> None:
        answers = {
            "pack.capacity_ah": ["230,5 Ah"],
            "machine.minimum_voltage_v": ["42V"],
            "machine.maximum_voltage_v": ["0.063 kV"],
            "wiring.fuse_a": ["125 amps"],
            "wiring.conductor_mm2": ["35 mm2"],
            "charger.output_current_a": ["18000 mA"],
        }
        machine = parsed(interview(answering(answers)))
        assert (machine.pack.capacity_ah, machine.vehicle.maximum_voltage_v) == (230.5, 63.0)
        assert (machine.wiring.fuse_a, machine.charger.output_current_a) == (125.0, 18.0)

    @settings(max_examples=80, deadline=None)
    @given(st.dictionaries(st.integers(0, 20), st.text(max_size=12), max_size=12))
    def test_whatever_is_answered_the_file_parses(self, answers: dict[int, str]) -> None:
        count = 0

        def ask(question: Question) -> str:
            nonlocal count
            count += 1
            needs_port = question.key == "source.port" and count > 20
            return answers.get(
                count, "COM4" if needs_port else question.default or ("x" if "port" in question.key else "")
            )

        parsed(interview(ask))


class TestLinks:
    LINKS = (
        {"driver": "serial-text", "port": "COM4", "baud_rate": 115200},
        {"driver": "modbus", "port": "COM4", "unit": 1},
        {"driver": "bluetooth-le", "address": "AA:BB", "seems": "a pack\x1b[2J"},
    )

    def chosen(self, *answers: str) -> tuple[Machine, list[Question]]:
        seen: list[Question] = []
        ask = answering({"source.driver": list(answers), "source.port": ["COM9"]}, seen)
        return parsed(interview(ask, in_reach=lambda: self.LINKS)), seen

    def test_each_link_in_reach_is_shown(self) -> None:
        machine, seen = self.chosen()
        assert machine.sources == ()
        assert seen[-1].notes == (
            "1: serial-text, port COM4",
            "2: modbus, port COM4",
            "3: bluetooth-le, address AA:BB (a pack\\x1b[2J)",
        )

    def test_several_are_chosen(self) -> None:
        machine, _ = self.chosen("3, 2 serial-text")
        assert [(source.driver, source.settings) for source in machine.sources] == [
            ("bluetooth-le", {"address": "AA:BB"}),
            ("modbus", {"port": "COM4", "unit": 1}),
            ("serial-text", {"port": "COM9"}),
        ]
        assert {source.sign_of_current for source in machine.sources} == {"discharge-positive"}
        assert "# Seems to be: a pack\\x1b[2J" in machine.text

    @pytest.mark.parametrize(
        ("answer", "why"),
        [
            ("4", "is not a link known here"),
            ("modbos", "is not a link known here"),
            ("1, 2", "COM4 is chosen twice"),
            ("1 later", "names links and says later"),
        ],
    )
    def test_a_bad_choice_is_explained(self, answer: str, why: str) -> None:
        machine, seen = self.chosen(answer, "1")
        assert why in seen[-1].problem
        assert [source.driver for source in machine.sources] == ["serial-text"]


class TestReadingAnswers:
    # Nominal voltages of the trade (common practice): 3.2 V lithium iron phosphate, 3.6 to 3.7 V nickel manganese
    # cobalt, 2 V lead; 51.2 V is 16, 38.4 V 12 and 51.8 V 14 cells.
    @pytest.mark.parametrize(
        ("chemistry", "answer", "cells"),
        [
            ("lfp", "16", 16),
            ("lfp", "16S", 16),
            ("lfp", "24 cells", 24),
            ("lfp", "51.2 V", 16),
            ("lfp", "51,2", 16),
            ("lfp", "38.4V", 12),
            ("lfp", "24 V", 8),
            ("lfp", "76.8 volts", 24),
            ("nmc", "51.8 V", 14),
            ("nmc", "36 V", 10),
            ("lead-flooded", "48 V", 24),
            ("lead-agm", "36 V", 18),
        ],
    )
    def test_cells(self, chemistry: str, answer: str, cells: int) -> None:
        assert read_cells(CHEMISTRIES[chemistry], answer) == cells

    @pytest.mark.parametrize(
        ("chemistry", "answer"),
        [
            ("lfp", "48 V"),
            ("lfp", "72 V"),
            ("nmc", "48 V"),
            ("lfp", "50.4 V"),
            ("lfp", "0"),
            ("lfp", "0 V"),
            ("lfp", ""),
        ],
    )
    def test_cells_that_cannot_be_told(self, chemistry: str, answer: str) -> None:
        with pytest.raises(BadValue):
            read_cells(CHEMISTRIES[chemistry], answer)

    @pytest.mark.parametrize(
        ("answer", "kept"),
        [
            ("25 mm2", ("conductor_mm2", 25.0)),
            ("2,5 mm²", ("conductor_mm2", 2.5)),
            ("4 AWG", ("conductor_awg", "4")),
            ("awg 10", ("conductor_awg", "10")),
            ("2/0", ("conductor_awg", "2/0")),
            ("0000 awg", ("conductor_awg", "4/0")),
            ("", None),
        ],
    )
    def test_conductors(self, answer: str, kept: tuple[str, object] | None) -> None:
        assert read_conductor(answer) == kept

    @pytest.mark.parametrize("answer", ["25", "thick", "900 mm2", "30 awg"])
    def test_conductors_that_cannot_be_told(self, answer: str) -> None:
        with pytest.raises(BadValue):
            read_conductor(answer)


def test_who_has_no_fuse_is_told_to_fit_one() -> None:
    seen: list[Question] = []
    machine = parsed(interview(answering({"wiring.fuse_a": ["none", ""]}, seen)))
    asked = [question for question in seen if question.key == "wiring.fuse_a"]
    assert (len(asked), machine.wiring.fuse_a) == (2, None)
    assert "burns in a short circuit" in asked[1].problem
    assert "fit one at the pack" in asked[1].problem
