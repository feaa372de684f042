"""Who on this machine is at the other end of a connection: another person's programs have nothing to do here.

A link can be read from the list of processes while the browser is started, and a browser shows its cookies to
every port of 127.0.0.1, whoever listens there. So the door also asks the system whose connection it is. Linux
says (``/proc/net/tcp``, proc(5)); elsewhere nothing is known, and link and cookie stand alone.

>>> whose_connection(("127.0.0.1", 9), ("127.0.0.1", 10)) is None       # there is no such connection
True
"""

from __future__ import annotations

import ipaddress
import os
import sys

Address = tuple[str, int]
NOBODY = -1
"""Whose a connection is that was closed already: the system has forgotten, and nobody waits for an answer."""


def whose_connection(client: Address, server: Address) -> int | None:
    """The user id of whoever opened a connection within this machine; None where that is not known."""
    if sys.platform != "linux":
        return None
    wanted = [_as_written(client), _as_written(server)]
    try:
        with open(f"/proc/net/tcp{'6' if ':' in client[0] else ''}", encoding="ascii") as table:
            for line in table:
                fields = line.split()
                if fields[1:3] == wanted:
                    return int(fields[7]) if fields[9] != "0" else NOBODY
    except (OSError, ValueError, IndexError):
        pass                                               # a system that does not tell
    return None


def _as_written(address: Address) -> str:
    """An address as the table has it: four bytes at a time in the order of the processor.

    >>> _as_written(("127.0.0.1", 8642)) in ("0100007F:21C2", "7F000001:21C2")
    True
    """
    data = ipaddress.ip_address(address[0]).packed
    words = (int.from_bytes(data[k:k + 4], sys.byteorder) for k in range(0, len(data), 4))
    return "".join(f"{word:08X}" for word in words) + f":{address[1]:04X}"


def own_ids() -> frozenset[int] | None:
    """Whose programs belong here: this person's, and with sudo whoever asked; None: not known."""
    if not hasattr(os, "getuid"):
        return None
    asked = os.environ.get("SUDO_UID", "")
    return frozenset({os.getuid(), *([int(asked)] if asked.isascii() and asked.isdigit() else [])})
