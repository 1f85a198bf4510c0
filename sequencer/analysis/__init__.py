"""From a table of samples to numbers, their uncertainty and verdicts; pure."""
