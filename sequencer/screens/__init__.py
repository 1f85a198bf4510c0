"""What a terminal shows, made from the run folder alone."""
