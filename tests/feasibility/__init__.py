"""Tests of the feasibility room."""
