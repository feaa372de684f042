"""A real page in a process of its own, on a real port; a plain client that sends what it is told."""

from __future__ import annotations

import http.client
import json
import queue
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from urllib.parse import urlsplit

SAMPLES = Path(__file__).parents[3] / "sample_runs"
HAS_EXTRA = all(find_spec(name) for name in ("starlette", "uvicorn", "websockets"))
NO_EXTRA = "the extra 'bench' is not installed: pip install 'padlab[bench]'"


def wait_until(done: Callable[[], bool], limit_s: float = 30.0, every_s: float = 0.02) -> None:
    """Look again until it is so, or fail after the deadline."""
    until = time.monotonic() + limit_s
    while not done():
        assert time.monotonic() < until, "it never came to be"
        threading.Event().wait(every_s)


class Served:
    """``padlab bench`` in a process of its own."""

    def __init__(self, shelf: Path, *options: str) -> None:
        self.shelf = shelf
        self.process = subprocess.Popen(
            [sys.executable, "-m", "padlab.cli", "bench", str(shelf), "--port", "0", "--no-open", *options],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        self.links: queue.Queue[str] = queue.Queue()
        self.words: list[str] = []
        self._readers = [
            threading.Thread(target=lambda s=stream, k=keep: [k(line.strip()) for line in s], daemon=True)
            for stream, keep in ((self.process.stdout, self.links.put),
                                 (self.process.stderr, self.words.append))]
        for reader in self._readers:
            reader.start()
        self.link = self.links.get(timeout=60)
        self.host = urlsplit(self.link).netloc
        self.origin = f"http://{self.host}"

    @property
    def port(self) -> int:
        return int(self.host.rsplit(":", 1)[1])

    def ask(self, method: str, path: str, body: bytes | str | None = None, *, cookie: str | None = None,
            at: str = "127.0.0.1", **headers: str) -> Answer:
        """Send one request with these headers and no others; ``host`` and ``origin`` as given."""
        wire = http.client.HTTPConnection(at, self.port, timeout=30)
        try:
            wire.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            sent = {"host": self.host, **{k.replace("_", "-"): v for k, v in headers.items()}}
            if cookie is not None:
                sent["cookie"] = cookie
            data = body.encode() if isinstance(body, str) else body
            if data is not None:
                sent.setdefault("content-length", str(len(data)))
            for name, value in sent.items():
                wire.putheader(name, value)
            wire.endheaders(data)
            answer = wire.getresponse()
            return Answer(answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read())
        finally:
            wire.close()

    def come_in(self) -> str:
        """Use the opening link; gives the cookie to send."""
        answer = self.ask("GET", self.link.removeprefix(self.origin))
        assert answer.status == 303, answer
        self.link = self.links.get(timeout=10)
        return answer.headers["set-cookie"].split(";")[0]

    def end(self) -> int:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(30)
        for reader in self._readers:
            reader.join(10)
        self.process.stdout.close()
        self.process.stderr.close()
        return code


class Answer:
    def __init__(self, status: int, headers: dict[str, str], body: bytes) -> None:
        self.status, self.headers, self.body = status, headers, body

    def __repr__(self) -> str:
        return f"{self.status} {self.headers} {self.body[:500]!r}"


def standing(folder: Path) -> dict[str, tuple[int, int]]:
    """All that is in a folder, but for the index that may be deleted at any time."""
    return {str(p.relative_to(folder)): (p.stat().st_size, p.stat().st_mtime_ns)
            for p in sorted(folder.rglob("*")) if p.is_file() and not p.name.startswith("index.sqlite")}


def some_runs(shelf: Path, count: int, procedure: str = "standard") -> list[str]:
    """A shelf with copies of a few sample runs and of the blank runs that belong to them; gives their ids."""
    from padlab.records.index import list_runs
    from padlab.records.shelf import Shelf

    found = [r["run"] for r in list_runs(Shelf(SAMPLES))[0] if r["procedure"] == procedure][:count]
    told = [json.loads((SAMPLES / "runs" / name / "datapackage.json").read_text("utf-8")) for name in found]
    blanks = {one["padlab"]["blank"] for one in told if one["padlab"]["blank"]}
    for name in {*found, *blanks}:
        shutil.copytree(SAMPLES / "runs" / name, shelf / "runs" / name)
    return found


