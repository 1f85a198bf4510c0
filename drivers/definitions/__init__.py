"""Instrument definitions that ship: YAML beside this file, no code."""
