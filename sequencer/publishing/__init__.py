"""A run made public: all that another person needs to come to the same numbers, nothing of who made
it."""
