"""Tests of the documents of a run, read together."""
