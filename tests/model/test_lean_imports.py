"""What is hidden while a library is imported, and that it is found again afterwards."""

import importlib
import importlib.util
import sys

import pytest

from telemetry.model.lean_imports import without


def test_what_is_hidden_is_not_found_and_comes_back():
    with without("antigravity"), pytest.raises(ImportError):
        importlib.import_module("antigravity")
    assert "antigravity" not in sys.modules
    assert importlib.util.find_spec("antigravity") is not None


def test_what_is_loaded_already_stays():
    with without("json"):
        assert importlib.import_module("json") is sys.modules["json"]
    assert sys.modules["json"] is not None
