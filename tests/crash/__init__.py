"""Tests of what survives a kill, a power cut and a damaged disk."""
