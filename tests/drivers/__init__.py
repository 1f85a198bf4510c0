"""Tests of the drivers room."""
