"""What one process of a run made, the others get."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests import made_once


def test_it_is_made_once_for_each_question_whichever_process_asks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(made_once, "kept_in", tmp_path)
    asked = []

    def make(number: int, name: str = "") -> list[object]:
        asked.append((number, name))
        return [number, name]

    here, elsewhere = made_once.made_once(make), made_once.made_once(make)  # nothing in memory is shared by these
    assert here(1) == elsewhere(1) == [1, ""]
    assert here(1) is here(1)
    assert elsewhere(1, name="mow") == here(1, name="mow") == [1, "mow"]
    assert asked == [(1, ""), (1, "mow")]


def test_what_failed_is_made_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(made_once, "kept_in", tmp_path)
    answers = iter([None, "made"])

    @made_once.made_once
    def make() -> str:
        answer = next(answers)
        if answer is None:
            raise ValueError("not yet")
        return answer

    with pytest.raises(ValueError, match="not yet"):
        make()
    assert make() == "made"
