"""Simulators written from the manuals beside them; nothing of the product is imported here."""
