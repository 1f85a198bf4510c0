"""Claims against measurements: one verdict for each thing that a seller said."""
