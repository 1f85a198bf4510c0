"""What a bench can see: the numbers about instruments that interlocks and proofs compare with.

Worked out once from the bench document and the instrument definitions (feasibility room); no
instrument is named here.
"""

from typing import NamedTuple


class Channel(NamedTuple):
    """One measuring channel. The error at a value x is ``gain * |x| + offset`` (limits of error,
    not standard uncertainties); ``resolution`` is one count. Units: V, A or K."""

    present: bool = False
    gain: float = 0.0
    offset: float = 0.0
    resolution: float = 0.0

    def error_at(self, value: float) -> float:
        """Largest error at ``value`` that the maker allows, resolution included."""
        return self.gain * abs(value) + self.offset + self.resolution


ABSENT = Channel()


class Outfit(NamedTuple):
    """The bench as the interlocks know it. ``lead_ohm`` is the loop between instrument and cell.

    ``supply_v``/``load_v`` are the instruments' own voltage readings; they see the leads' drop
    unless their sense reaches the cell (``supply_senses_cell``). ``voltage`` is the channel that
    the cell voltage is taken from; ``voltage_is_own`` means that it is an instrument of its own
    (neither supply nor load). ``ammeter`` is an independent one.
    """

    voltage: Channel = ABSENT
    voltage_is_own: bool = False
    supply_v: Channel = ABSENT
    supply_a: Channel = ABSENT
    supply_senses_cell: bool = False
    load_v: Channel = ABSENT
    load_a: Channel = ABSENT
    load_senses_cell: bool = False
    ammeter: Channel = ABSENT
    surface: Channel = ABSENT
    tab: Channel = ABSENT
    room: Channel = ABSENT
    contactor: bool = False
    lead_ohm: float = 0.0
