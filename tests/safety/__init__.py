"""The campaign of faults: whatever happens, whenever it happens, a run ends safe."""
