"""Tests of what a terminal shows."""
