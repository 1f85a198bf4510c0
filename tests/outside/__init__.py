"""Checks against published values and reference libraries."""
