"""Tests of a bench without a cell: its proof test."""
