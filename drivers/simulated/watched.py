"""A communication watchdog of an instrument: it de-energises by itself when nobody speaks to it."""


class CommunicationWatchdog:
    """``watchdog_s``: after how long a silence it acts (s; 0: none is set)."""

    watchdog_s = 0.0
    _heard_ns = 0

    @property
    def at_ns(self) -> int:
        """Bench time that has been reached."""
        raise NotImplementedError

    def hear(self) -> None:
        """Something was said to it."""
        self._heard_ns = self.at_ns

    @property
    def lapses_ns(self) -> int:
        """When it acts, if nothing is said until then (bench time)."""
        return self._heard_ns + round(self.watchdog_s * 1e9)

    @property
    def is_held(self) -> bool:
        """Whether it drives, and only for as long as somebody talks to it."""
        return self.watchdog_s > 0.0 and self.drives

    @property
    def drives(self) -> bool:
        """Whether it is told to be on, or closed."""
        raise NotImplementedError

    def lapse(self) -> None:
        """Nobody has spoken to it for that long."""
        raise NotImplementedError
