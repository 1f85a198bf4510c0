"""The room that chooses clock, bench and recorder, and opens the drivers that a run is made on."""
