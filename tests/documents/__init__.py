"""Tests of the documents' own rules."""
