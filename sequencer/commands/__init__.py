"""One module a command: each answers with words, data and an exit code, and prints nothing."""
