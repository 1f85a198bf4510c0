"""How many cycles a cell had made in a run before it was measured: claims are about a fresh cell.

Owns from when on they count. Cycles of other runs are not known here.
"""

from typing import Final

from sequencer.analysis.claims.kinds import number_in
from sequencer.analysis.results import Figure

FRESH_CYCLES: Final = 5
"""So many cycles leave a cell fresh: a rated capacity may be shown in any of the first five
(IEC 61960-3, discharge performance at 20 degC; from memory)."""


def worn_by(figure: Figure) -> int:
    """The cycles of the run before the figure's own; 0 where they leave a cell fresh."""
    before = int(number_in(figure, "cycle") or 1) - 1
    return before if before >= FRESH_CYCLES else 0
