"""Tests of the state machine."""
