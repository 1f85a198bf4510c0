"""Profile and cell document made into a flat list of bounded steps with absolute numbers; pure."""
