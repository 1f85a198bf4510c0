"""A simulated cell and bench: the physics, and two forms of it, in process and served."""
