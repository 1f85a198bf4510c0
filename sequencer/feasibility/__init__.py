"""What a bench can, can barely and cannot do of a plan, and what becomes of the cell without us."""
