"""Tests of the one door for YAML."""
