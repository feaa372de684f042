"""A bench rig made of physics, behind a real port.

stocks -> physics: a pad that obeys contact counting, load-proportional slip and activated flow,
none of which is a formula that padlab fits. hand: plays a procedure on it. readings: what the rig
says. truth: the noise-free answers. simulate: a run without a port. server, faults: the port.
"""
