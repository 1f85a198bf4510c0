"""A run that was interrupted, continued by a new one."""
