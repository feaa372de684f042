"""A real page in a process of its own, for all tests of this folder."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from page_browser import VirtualRig
from page_served import HAS_EXTRA, NO_EXTRA, Served


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if Path(__file__).parent in item.path.parents and not HAS_EXTRA:
            item.add_marker(pytest.mark.skip(reason=NO_EXTRA))


@pytest.fixture(scope="module")
def serve_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Served]]:
    started: list[Served] = []

    def start(*options: str, shelf: Path | None = None) -> Served:
        if shelf is None:
            shelf = tmp_path_factory.mktemp("bench") / "shelf"
        started.append(Served(shelf, *options))
        return started[-1]

    yield start
    for one in started:
        one.end()
        assert not any("Traceback" in line for line in one.words), one.words


@pytest.fixture
def virtual_rig():
    started = []

    def start(*options):
        started.append(VirtualRig(*options))
        return started[-1]

    yield start
    for rig in started:
        rig.end()
