"""All reading of YAML: text to positioned nodes to documents, every fault told at once."""
