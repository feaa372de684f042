"""SAMPLES -> EVENTS: one axis from raw readings, contact, strokes, holds."""
