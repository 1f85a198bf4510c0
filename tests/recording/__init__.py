"""Tests of the record: written, failed, cut and read back."""
