"""The state machine: one table, and one pure function from what was seen to what to do."""
