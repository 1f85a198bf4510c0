"""The house keeps its own law: shape of the files, clocks, purity, names at the top."""
