"""The one place that chooses clock, bench and recorder, and that opens the drivers."""
