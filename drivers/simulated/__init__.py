"""A pretended cell and bench: physics first, then two faces of it, in process and served."""
