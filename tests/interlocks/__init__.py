"""Tests of the interlocks: both sides of every limit, NaN, and the latch."""
