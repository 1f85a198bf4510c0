"""Instruments: a dialect joined to a transport, and the bench wired of them."""
