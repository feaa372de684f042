"""The local page at the rig: the same calls as the command line, for people with one hand on the lever."""
