"""What leaves the house, and what comes in from elsewhere."""
