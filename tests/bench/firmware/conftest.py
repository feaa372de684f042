"""What lies in ``simulated`` runs under MicroPython, not under this Python."""

collect_ignore = ["simulated"]
