"""Verdicts on what sellers say."""
