"""What is made public, and what comes from elsewhere."""
