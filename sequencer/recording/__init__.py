"""The record of a run: written so that nothing acknowledged is lost, read whatever happened."""
