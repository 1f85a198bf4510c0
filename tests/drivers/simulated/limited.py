"""Whether a simulated cell's current is at a limit, which nothing but tests asks."""

from drivers.simulated.cell import Cell


def is_limited(cell: Cell) -> bool:
    """The current is at a limit (CC, or nothing flows); otherwise the voltage is held (CV)."""
    return not cell._low < cell.current_a < cell._high
