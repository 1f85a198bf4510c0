"""Interlocks: pure rules over samples, and the panel that latches the first that trips."""
