"""One quantity over the whole run, thinned so that it never grows: lowest and highest per bin."""

_BINS = 240


class Trace:
    """At most 240 bins of equal width from time 0; when they are full, two become one."""

    def __init__(self) -> None:
        self.width_s = 1.0
        self.bins: list[tuple[float, float] | None] = []

    def add(self, at_s: float, value: float) -> None:
        """One reading; what is not a number is passed by."""
        if not -1e12 < value < 1e12 or at_s < 0:
            return
        while at_s >= self.width_s * _BINS:
            self._halve()
        place = int(at_s / self.width_s)
        while len(self.bins) <= place:
            self.bins.append(None)
        low, high = self.bins[place] or (value, value)
        self.bins[place] = (min(low, value), max(high, value))

    def _halve(self) -> None:
        self.width_s *= 2
        pairs = zip(self.bins[::2], [*self.bins[1::2], None], strict=False)
        self.bins = [_join(*pair) for pair in pairs]

    def span(self) -> tuple[float, float] | None:
        """Lowest and highest of all, or None when there is nothing."""
        kept = [pair for pair in self.bins if pair]
        return (min(low for low, _ in kept), max(high for _, high in kept)) if kept else None

    @property
    def length_s(self) -> float:
        """How much time the bins cover."""
        return len(self.bins) * self.width_s


def _join(
    one: tuple[float, float] | None, other: tuple[float, float] | None
) -> tuple[float, float] | None:
    if one and other:
        return min(one[0], other[0]), max(one[1], other[1])
    return one or other
