"""A rig's stream with every kind of damage, and a slow reader that shares no code with the real one."""

from __future__ import annotations

import random
from collections.abc import Iterator


def slow_reader(stream: bytes) -> tuple[list[str], int, int]:
    """Readings, bad lines and remarks of a whole stream, byte by byte, by the words of the contract.

    A line ends with LF (a CR before it belongs to the end); over 512 bytes is bad; ``#`` is a remark; a
    blank line is nothing; a reading is four whole numbers with commas between, the last two may have a minus.
    """
    readings, bad, remarks = [], 0, 0
    line = bytearray()
    for byte in stream:
        if byte != 10:
            line.append(byte)
            continue
        if line.endswith(b"\r"):
            line.pop()
        if len(line) > 512:
            bad += 1
        elif line.startswith(b"#"):
            remarks += 1
        elif all(byte in b" \t\r\v\f" for byte in line):
            pass
        else:
            cells = bytes(line).split(b",")
            whole = [c[1:] if i >= 2 and c.startswith(b"-") else c for i, c in enumerate(cells)]
            if len(cells) == 4 and all(c and all(48 <= b <= 57 for b in c) and len(c) < 300 for c in whole):
                readings.append(bytes(line).decode())
            else:
                bad += 1
        line.clear()
    return readings, bad, remarks


def fuzzed(lines: int, seed: int) -> bytes:
    """A rig's stream with bit flips, joined and split lines, lost ends and very long lines; seeded."""
    rng = random.Random(seed)
    out = bytearray()
    for i in range(lines):
        values = (i, i * 20000 % 2**32, rng.randint(-50, 20000), rng.randint(-9, 900))
        line = bytearray(b"%d,%d,%d,%d\n" % values)
        chance = rng.random()
        if chance < 0.05:
            line[rng.randrange(len(line))] ^= 1 << rng.randrange(8)
        elif chance < 0.08:
            line.pop()                                        # joined with the next
        elif chance < 0.11:
            line.insert(rng.randrange(len(line)), 10)         # split in two
        elif chance < 0.12:
            line[:0] = b"# remark "
        elif chance < 0.123:
            line[:0] = bytes(rng.randrange(256) for _ in range(rng.choice((3, 505, 512, 600, 3000))))
        elif chance < 0.13:
            del line[rng.randrange(len(line)):]
        elif chance < 0.14:
            line[-1:] = b"\r\n"
        elif chance < 0.15:
            line += rng.choice((b"\n", b"\r\n", b" \t\n\n"))
        out += line
    return bytes(out + b"\n")


def pieces(stream: bytes, rng: random.Random, most: int) -> Iterator[bytes]:
    """Cut a stream at random."""
    at = 0
    while at < len(stream):
        size = rng.randint(1, most)
        yield stream[at:at + size]
        at += size
