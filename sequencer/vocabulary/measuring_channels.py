"""What a bench can see: the numbers about instruments that interlocks and proofs compare with.

Worked out once from the bench document and the instrument definitions (feasibility room); no
instrument is named here.
"""

from typing import NamedTuple

from sequencer.vocabulary.commands import Direction

HARDLY_ANY_A = 0.005
"""A current (A) below this is none, however fine the instrument (our choice)."""


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


class MeasuringChannels(NamedTuple):
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

    def ammeter_for(self, direction: Direction) -> Channel:
        """Who tells the current in that direction: the ammeter, or the instrument that drives."""
        if self.ammeter.present:
            return self.ammeter
        return self.supply_a if direction is Direction.CHARGE else self.load_a

    def zero_a(self, direction: Direction) -> float:
        """The largest current (A) that may be read where none flows: the error at zero and one
        count, of the one instrument whose reading counts then. At rest it may be either's."""
        if direction is Direction.REST:
            return max(self.zero_a(Direction.CHARGE), self.zero_a(Direction.DISCHARGE))
        channel = self.ammeter_for(direction)
        return max(HARDLY_ANY_A, channel.error_at(0.0) + channel.resolution)
