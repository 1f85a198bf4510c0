"""The wires: VISA, serial, raw socket, in-memory; every foreign exception is translated here."""
