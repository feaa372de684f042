"""Figures and pages: one self-contained HTML file."""
