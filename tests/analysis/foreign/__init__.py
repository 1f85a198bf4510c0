"""Records that others wrote, of a cell whose every ampere-second is known."""
