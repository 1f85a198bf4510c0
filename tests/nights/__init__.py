"""Whole nights: rehearsed against golden journals, and served over real sockets."""
