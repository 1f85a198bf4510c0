"""The parent process of a run: it outlives the executive, and makes safe when that cannot."""
