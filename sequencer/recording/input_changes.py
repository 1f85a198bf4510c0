"""What a row cannot hold and a decision rests on: faults, and what the computer says of itself."""

from collections.abc import Callable, Mapping
from typing import Any

from sequencer.vocabulary.faults import Fault
from sequencer.vocabulary.sample import WELL, Sample


class InputChanges:
    """Journals what a row cannot hold when it changes, before the row: a row that is there has its
    inputs. ``faults`` and ``host`` are what was journaled last; ``note`` writes one line, ``slept``
    is told for how long (ns) the computer slept."""

    def __init__(
        self, note: Callable[[str, Mapping[str, Any]], None], slept: Callable[[int], None]
    ) -> None:
        self.faults, self.host = tuple[Fault, ...](), WELL
        self._note, self._slept = note, slept

    def look(self, sample: Sample) -> None:
        """Raises what ``note`` raises; what was not journaled then is journaled with the next."""
        if sample.faults != self.faults:
            self.faults = sample.faults
            self._note("fault", {"at_ns": sample.at_ns, "faults": sample.faults})
        if sample.host != self.host:
            self.host = sample.host
            self._slept(sample.host.slept_ns)
            self._note("host", {"at_ns": sample.at_ns, **sample.host._asdict()})
