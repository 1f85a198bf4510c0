"""drivers."""
