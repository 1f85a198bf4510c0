"""A run made public: everything a stranger needs to come to the same numbers, nothing of who."""
