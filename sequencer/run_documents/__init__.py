"""Every document of a run, read once and checked against each other."""
