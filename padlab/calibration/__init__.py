"""IS THE RIG TO BE TRUSTED: what the rig adds to every number, and how it is taken off."""
