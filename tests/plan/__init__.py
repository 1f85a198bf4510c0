"""Tests of the plan room."""
