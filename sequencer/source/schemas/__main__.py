"""``python -m sequencer.source.schemas`` writes every schema anew beside this file."""

from sequencer.source.schemas.generation import write_all

write_all()
