"""Twelve invented instruments: a manual and a simulator each, and what becomes of them here."""
