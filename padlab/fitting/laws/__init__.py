"""One published law a file."""
