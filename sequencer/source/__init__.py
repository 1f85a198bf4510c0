"""The one door for YAML: text to positioned nodes to documents, every fault told at once."""
