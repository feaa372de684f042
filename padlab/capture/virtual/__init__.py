"""A bench rig made of physics, behind a real port."""
