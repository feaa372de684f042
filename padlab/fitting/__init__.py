"""RUN -> CURVES, each with a verdict."""
