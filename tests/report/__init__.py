"""The report: its numbers and words, its pictures, the page in a real browser, the command."""
