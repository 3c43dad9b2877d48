"""An owner's numbers written into the machine file: only the line that is meant changes."""

from __future__ import annotations

import difflib
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.cli import main
from telemetry.machine.limits import LIMIT_NAMES
from telemetry.machine.override_edit import Change, edited, setting, unsetting
from telemetry.model.errors import InputError

PACK = '# The pack.\n[pack]\nchemistry = "lfp"\ncells_in_series = 16\ncapacity_ah = 100 # from the plate\n'
OURS = """
[limits.soc-low]   # mine
warn = 30  # of the maker

# What follows is about cells.
[limits.cell-spread]
  warn_mv = 50
# warn = 0.07 was too much

# The link.
[[source]]
driver = "serial-text"
port = "COM4"
"""


def difference(before: str, after: str) -> list[str]:
    lines = difflib.ndiff(before.splitlines(), after.splitlines())
    return [line for line in lines if line[:1] in "+-"]


def change(text: str, *sets: str, unset: tuple[str, ...] = ()) -> str:
    return edited(text, [*map(unsetting, unset), *map(setting, sets)])


class TestTheText:
    @pytest.mark.parametrize(
        ("said", "lines"),
        [
            ("soc-low.warn=25%", ["- warn = 30  # of the maker", "+ warn = 25  # of the maker"]),
            ("soc-low.trip=15", ["+ trip = 15"]),
            ("cell-spread.warn=40 mV", ["-   warn_mv = 50", "+   warn = 0.04"]),
            ("cell-spread.warn_mv=40", ["-   warn_mv = 50", "+   warn = 0.04"]),
            ("cell-spread.raise_delay_s=1 min", ["+ raise_delay_s = 60"]),
            ("cell-imbalance-top.warn=2,5%", ["+ ", "+ [limits.cell-imbalance-top]", "+ warn = 2.5"]),
            ("link.enabled=no", ["+ ", "+ [limits.link]", "+ enabled = false"]),
        ],
    )
    def test_only_what_is_meant_changes(self, said: str, lines: list[str]) -> None:
        assert difference(PACK + OURS, change(PACK + OURS, said)) == lines

    def test_a_new_key_goes_before_the_comment_of_the_next_table(self) -> None:
        assert "of the maker\ntrip = 15\n\n# What follows" in change(PACK + OURS, "soc-low.trip=15")

    @pytest.mark.parametrize(
        ("said", "lines"),
        [
            ("cell-spread", ["- [limits.cell-spread]", "-   warn_mv = 50"]),
            ("cell-spread.warn", ["- [limits.cell-spread]", "-   warn_mv = 50"]),
            ("limits.soc-low.warn", ["- [limits.soc-low]   # mine", "- warn = 30  # of the maker"]),
        ],
    )
    def test_taking_out(self, said: str, lines: list[str]) -> None:
        assert difference(PACK + OURS, change(PACK + OURS, unset=(said,))) == lines

    @pytest.mark.parametrize("ending", ["\n", "\r\n"])
    @pytest.mark.parametrize("tail", ["", "\n"])
    def test_line_ends_stay(self, ending: str, tail: str) -> None:
        text = (PACK.rstrip("\n") + tail).replace("\n", ending)
        made = change(text, "soc-low.warn=25", "soc-low.trip=15")
        assert made.count("\n") == made.count(ending)
        assert made.startswith(text)
        assert made.endswith(f"warn = 25{ending}trip = 15{ending}")

    @pytest.mark.parametrize(
        "other",
        [
            "[limits]\nsoc-low = { warn = 30 }\n",
            "[limits]\nsoc-low.warn = 30\n",
            'note = """\n[limits.soc-low]\n"""\n',
        ],
    )
    def test_a_form_that_is_not_edited_is_refused(self, other: str) -> None:
        with pytest.raises(InputError, match="nothing was changed"):
            change(PACK + other, "soc-low.warn=25")

    @settings(max_examples=60, deadline=None)
    @given(st.data())
    def test_there_and_back(self, data: st.DataObject) -> None:
        names = data.draw(st.lists(st.sampled_from(LIMIT_NAMES), unique=True, min_size=1, max_size=4))
        changes = [Change(name, "latched", data.draw(st.booleans())) for name in names]
        made = edited(PACK + OURS, changes)
        stated = tomllib.loads(made)["limits"]
        assert all(stated[each.limit]["latched"] is each.value for each in changes)
        back = edited(made, [Change(name, "latched") for name in names])
        assert tomllib.loads(back) == tomllib.loads(PACK + OURS)
        assert all(line in back.splitlines() for line in (PACK + OURS).splitlines())


@pytest.mark.parametrize(
    ("said", "right"),
    [
        ("soc-low.warn=50mV", '"50mV" is not a number in %; write a number from 1 to 100, in %'),
        ("cell-spread.warn=50", "did you mean 0.05 (50 mV)?"),
        ("cell-spread.warn=2%", "is not a number in V"),
        ("soc-low.raise_delay_s=2 V", "is not a number in s"),
        ("link.enabled=perhaps", "true or false"),
        ("imbalance.warn=2", "did you mean cell-imbalance-top or cell-charge-low?"),
        ("soc-low.wran=2", "did you mean warn"),
        ("soc-low=2", "is not NAME.KEY=VALUE"),
        ("soc-low.warn=", "is not NAME.KEY=VALUE"),
    ],
)
def test_what_is_refused(said: str, right: str) -> None:
    with pytest.raises(InputError) as refused:
        setting(said)
    assert right in str(refused.value)
    assert "\n" not in str(refused.value)


class TestTheCommand:
    def run(self, path: Path, *words: str) -> int:
        return main(["limits", str(path), "--store", str(path.parent / "s.sqlite"), *words])

    def test_it_writes_and_says_what_changed(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        path = tmp_path / "m.toml"
        path.write_bytes(b"\xef\xbb\xbf" + (PACK + OURS).encode())
        path.chmod(0o640)
        assert self.run(path, "--set", "cell-imbalance-top.warn=3%", "--set", "soc-low.warn=25") == 0
        said = capsys.readouterr().out
        assert "[limits.cell-imbalance-top] warn: 2 % → 3 %\n" in said
        assert "[limits.soc-low] warn: 30 % → 25 %\n" in said
        assert path.read_bytes().startswith(b"\xef\xbb\xbf# The pack.")
        assert path.stat().st_mode & 0o777 == 0o640
        assert self.run(path, "--unset", "cell-imbalance-top", "--unset", "soc-low.warn") == 0
        assert "[limits.cell-imbalance-top]: removed; our numbers are in force" in capsys.readouterr().out

    @pytest.mark.parametrize(
        ("words", "right"),
        [
            (("--set", "soc-low.warn=5%"), "was left as it is: with this change it has 1 problem"),
            (("--set", "charge-peak.trip=50 A"), "write trip = -50"),
            (("--set", "soc-low.warn=2 V"), "in %"),
            (("--unset", "link"), "there is nothing to take out"),
        ],
    )
    def test_what_is_refused_leaves_the_file(
        self, words: tuple[str, ...], right: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        path = tmp_path / "m.toml"
        path.write_text(PACK + OURS)
        assert self.run(path, *words) == 2
        assert right in capsys.readouterr().err
        assert path.read_text() == PACK + OURS
        assert [each.name for each in tmp_path.iterdir()] == ["m.toml"]

    def test_a_link_to_the_file_stays_a_link(self, tmp_path: Path) -> None:
        path, link = tmp_path / "m.toml", tmp_path / "now.toml"
        path.write_text(PACK)
        link.symlink_to(path)
        assert self.run(link, "--set", "soc-low.warn=25") == 0
        assert link.is_symlink()
        assert "warn = 25" in path.read_text()
