"""Models of the documents a person writes, and the rules within one of them; no files here."""
