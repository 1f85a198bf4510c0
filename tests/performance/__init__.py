"""Measurements of what the design asks, run by hand: ``python -m tests.performance``."""
