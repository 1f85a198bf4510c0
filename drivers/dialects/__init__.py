"""How instruments are spoken to, without input or output: commands to bytes, bytes to values."""
