"""Immutable values that every other room speaks in; no input, no output, no clock."""
