"""RIG -> RUN: bytes from a port become readings, readings become a run that survives a crash."""
