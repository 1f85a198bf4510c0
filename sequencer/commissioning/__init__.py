"""A bench without a cell: who is there, and whether every protection acts."""
