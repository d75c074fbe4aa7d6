"""Readings, load and heart rate of a graded cycle test: recorded, joined, checked, kept."""

__version__ = "0.1.0"
