"""Tests of the vocabulary."""
