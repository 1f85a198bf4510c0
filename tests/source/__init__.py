"""Tests of the reading of YAML."""
