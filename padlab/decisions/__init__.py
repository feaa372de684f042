"""Comparison: which stock lets the valve drift least, and which are not told apart."""
