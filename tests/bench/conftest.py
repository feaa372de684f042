"""A rig of lines behind a real pseudo-terminal, driven by the test: it says what it is told to say."""

from __future__ import annotations

import importlib.util
import os
import select
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

import pytest


class LineRig:
    """A pseudo-terminal with a stable name; answers ``?`` with who it is."""

    def __init__(self, link: Path, name: bytes = b"# bench-a") -> None:
        self.link, self.name = link, name
        self.heard = b""
        self._lock = threading.Lock()
        self._master = self._far = -1
        self._gone = threading.Event()
        self._thread: threading.Thread | None = None
        self.plug_in()

    @property
    def url(self) -> str:
        return str(self.link)

    def plug_in(self) -> None:
        import tty

        self._master, self._far = os.openpty()
        tty.setraw(self._far)
        self.link.symlink_to(os.ttyname(self._far))
        self._gone.clear()
        self._thread = threading.Thread(target=self._listen, args=(self._master,), daemon=True)
        self._thread.start()

    def unplug(self) -> None:
        """Pull the cable: whoever holds the port gets an error, and its name is gone."""
        if self._master < 0:
            return
        self.link.unlink()
        self._gone.set()
        assert self._thread is not None
        self._thread.join(5)
        os.close(self._far)
        os.close(self._master)
        self._master = self._far = -1

    close = unplug

    def _listen(self, master: int) -> None:
        while not self._gone.is_set():
            if select.select([master], [], [], 0.02)[0]:
                asked = os.read(master, 4096)
                self.heard += asked
                if b"?" in asked and self.name:
                    self.send(self.name + b"\n")

    def send(self, data: bytes) -> None:
        """Send all of it; waits while the far side is full."""
        with self._lock:
            view = memoryview(data)
            while view:
                view = view[os.write(self._master, view[:4096]):]


@pytest.fixture
def make_rig(tmp_path: Path) -> Iterator[Callable[..., LineRig]]:
    if not hasattr(os, "openpty"):
        pytest.skip("no pseudo-terminals on this system")
    rigs: list[LineRig] = []

    def make(link: str = "rig", **more: bytes) -> LineRig:
        rigs.append(LineRig(tmp_path / link, **more))
        return rigs[-1]

    yield make
    for rig in rigs:
        rig.close()


@pytest.fixture
def line_rig(make_rig: Callable[..., LineRig]) -> LineRig:
    return make_rig()


@pytest.fixture(scope="session")
def fuzz() -> ModuleType:
    path = Path(__file__).parents[1] / "unit" / "capture" / "fuzz.py"
    spec = importlib.util.spec_from_file_location("capture_fuzz", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
