"""Systems that are not POSIX: what works there, and what a run says that it lacks."""
