"""A recorded run decided again from its samples, and compared line for line."""
