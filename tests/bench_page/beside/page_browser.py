"""A browser and a virtual rig for the tests of the page."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from typing import Any

FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage"]
CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
WHY_NOT = ("playwright is not installed" if find_spec("playwright") is None
           else "no Chromium is installed: what it would show of the page is not tested" if CHROMIUM is None
           else None)


@contextmanager
def chromium() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()


class VirtualRig:
    """``padlab virtual-rig`` on a TCP port, which stays the same when it is started again."""

    def __init__(self, *options: str) -> None:
        self.options, self.port = options, 0
        self.start()

    def start(self) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "padlab.cli", "virtual-rig", "--tcp", str(self.port), *self.options],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        count = 2 if "motor-press" in self.options else 1
        self.urls = [self.process.stdout.readline().strip() for _ in range(count)]
        self.port = int(self.urls[0].rsplit(":", 1)[1])

    def end(self) -> None:
        if self.process.stdout.closed:
            return
        self.process.terminate()
        self.process.wait(20)
        self.process.stdout.close()
