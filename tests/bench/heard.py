"""What stands in for the person at the rig: a screen that keeps what was said."""

import threading

from padlab.capture.prompts import Said


class Heard:
    """A screen that keeps what was said, and wakes whoever waits for a word."""

    def __init__(self) -> None:
        self.said: list[Said] = []
        self._news = threading.Condition()

    def say(self, said: Said) -> None:
        with self._news:
            self.said.append(said)
            self._news.notify_all()

    def progress(self, text: str) -> None:
        assert text

    def wait_for(self, words: str, limit_s: float = 30.0) -> None:
        with self._news:
            found = self._news.wait_for(lambda: any(words in s.text for s in self.said), limit_s)
        assert found, f"never said {words!r}; said {[s.text for s in self.said]}"
