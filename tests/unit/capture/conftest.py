"""The module of damaged streams, for the tests beside it."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def fuzz() -> ModuleType:
    spec = importlib.util.spec_from_file_location("capture_fuzz", Path(__file__).with_name("fuzz.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
