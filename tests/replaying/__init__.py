"""Tests of the replay: recorded runs of every ending, damaged folders, changed folders."""
