"""Numbers, their uncertainty, and verdicts."""
