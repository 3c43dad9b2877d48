"""The marks beside an export: what is written is read back, and what is no such file is one sentence."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.model.errors import RecordingError
from telemetry.model.events import Mark
from telemetry.recordings.marks_file import marks_path, read_marks, write_marks
from telemetry.recordings.reading import open_recording

ABSOLUTE = 1_700_000_000_000_000
WORDS = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), max_size=30)
MARKS = st.lists(
    st.builds(Mark, st.integers(0, 10**11), WORDS, st.sampled_from(("operator", "program")), st.booleans()),
    max_size=8,
    unique_by=lambda mark: mark.t,
)


@settings(max_examples=60, deadline=None)
@given(marks=MARKS, basis=st.sampled_from(("relative", "absolute")))
def test_what_is_written_is_read_back(
    tmp_path_factory: pytest.TempPathFactory, marks: list[Mark], basis: str
) -> None:
    path = tmp_path_factory.mktemp("marks") / "a.marks.csv"
    start = 0 if basis == "relative" else ABSOLUTE
    shifted = [Mark(mark.t + start, mark.text, mark.by, mark.taken_back) for mark in marks]
    write_marks(shifted, path, basis, 0, replace=True)  # type: ignore[arg-type]
    assert read_marks(path, basis) == sorted(shifted, key=lambda mark: mark.t)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "its header is not t,mark,set_by,taken_back"),
        ("time,mark,set_by,taken_back\n", "its header is not t,"),
        ("t,mark,set_by,taken_back\nsoon,hill,operator,\n", "line 2: not a time"),
        ("t,mark,set_by,taken_back\n1,hill,nobody,\n", "line 2: not a time"),
        ("t,mark,set_by,taken_back\n1,hill,operator,\n2,hill\n", "line 3: not a time"),
        ("t,mark,set_by,taken_back\nnan,hill,operator,\n", "line 2: not a time"),
        (b"\xff\xfe", "it cannot be read"),
    ],
)
def test_what_is_no_such_file_is_one_warning_and_the_rows_are_read(
    tmp_path: Path, text: str | bytes, said: str
) -> None:
    drive = tmp_path / "mow.csv"
    drive.write_text("t,pack_current,pack_voltage\n0,1,80\n1,2,80\n")
    beside = marks_path(drive)
    beside.write_bytes(text if isinstance(text, bytes) else text.encode())
    recording = open_recording(drive)
    (warning,) = recording.warnings
    assert "mow.marks.csv" in warning
    assert said in warning
    assert "no mark is shown" in warning
    assert [event for span in recording.spans() for event in span.events] == []
    with pytest.raises(RecordingError):
        read_marks(beside, "relative")


def test_marks_come_with_their_rows_before_the_first_and_after_the_last(tmp_path: Path) -> None:
    drive = tmp_path / "mow.csv"
    drive.write_text("t,pack_current\n" + "".join(f"{second},1\n" for second in range(10, 40)))
    marks = [Mark(second * 1_000_000, str(second)) for second in (5, 10, 25, 60)]
    write_marks(marks, marks_path(drive), "relative", 0, replace=False)
    spans = list(open_recording(drive).spans(10))
    assert [[event.t // 1_000_000 for event in span.events] for span in spans] == [[5, 10], [25], [], [60]]
    assert all(event.t <= span.end for span in spans for event in span.events)
