"""How the wire to an instrument is set, and what stands around its answers. Data, no code."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Annotated, Literal

from pydantic import Field

from sequencer.documents.fields import (
    Count,
    Document,
    Seconds,
    SecondsFromZero,
    YesNo,
    key_of,
)
from sequencer.documents.rules import Broken, each
from sequencer.documents.texts import Pattern, Prompt

LinkKind = Literal["socket", "serial", "visa"]

MOST_UNIT = 247
Unit = Annotated[Count, Field(ge=1, le=MOST_UNIT)]
"""The address of an instrument that speaks Modbus; to 0 all listen and nobody answers."""
_LINES_ONLY = ("line_end", "reply_end", "silence", "echo", "prompt", "welcome", "acknowledgement")
"""What an instrument that speaks in frames has not."""
TURN_S = 1.0
"""How long one exchange waits while others speak on the same port (s)."""
SHARED_ANSWER_S = TURN_S / 2.0
"""The longest that what shares a port may take to answer: a silent one keeps it twice as long."""
OFF_GAPS_S = 0.5
"""The longest that gaps may keep *off* waiting (s), that of everything on one port together: as
long as fresh links may take to open. With it a frozen executive still ends within 3 s."""
_OF_THE_WIRE = (
    "line_end",
    "reply_end",
    "silence",
    "echo",
    "prompt",
    "welcome",
    "baud_rate",
    "data_bits",
    "parity",
    "stop_bits",
    "frames",
    "speaks_modbus",
)
_BITS = 12
"""A character on a serial line, at most."""


class Link(Document):
    """How the wire is set. ``gap`` is the least time from the end of one command to the next. Only
    reads are ever repeated, and only on a new session; a setting never is.

    ``slowest answer``: what one answer takes at most, by the manual; None: it is quick.
    ``reply end: silence``: a reply is complete once nothing came for ``silence``. ``echo``: what is
    sent comes back first; ``prompt`` follows every exchange, ``welcome`` comes once in a session.
    ``unit``: the address of an instrument that speaks Modbus; None: it speaks lines. Its ``frames``
    are those of RTU on a serial port and of Modbus TCP on a socket, or of RTU on both.
    """

    kinds: tuple[LinkKind, ...] = Field(min_length=1)
    line_end: Literal["LF", "CRLF", "CR", "none"] = "LF"
    reply_end: Literal["LF", "CRLF", "CR", "silence"] = "LF"
    silence: Annotated[Seconds, Field(ge=0.005, le=0.5)] = 0.05
    echo: YesNo = False
    prompt: Prompt | None = None
    welcome: Pattern | None = None
    baud_rate: Count = 9600
    data_bits: Literal["7", "8"] = "8"
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal["1", "2"] = "1"
    slowest_answer: Annotated[Seconds, Field(le=1.0)] | None = None
    read_time_out: Annotated[Seconds, Field(le=30.0)] = 1.0
    write_time_out: Annotated[Seconds, Field(le=30.0)] = 1.0
    gap: Annotated[SecondsFromZero, Field(le=1.0)] = 0.0
    acknowledgement: Pattern | None = None
    read_retries: Annotated[Count, Field(le=3)] = 0
    unit: Unit | None = None
    frames: Literal["by link", "RTU"] = "by link"

    @property
    def speaks_modbus(self) -> bool:
        """Whether its lines go in Modbus frames."""
        return self.unit is not None

    @property
    def is_plain(self) -> bool:
        """Whether one line answers one question, and nothing else ever comes."""
        return self.reply_end != "silence" and not (self.echo or self.prompt or self.welcome)

    def differs_in(self, other: "Link") -> str:
        """A key in which two links that share one wire differ and must not; empty without one."""
        differing = (one for one in _OF_THE_WIRE if getattr(self, one) != getattr(other, one))
        return key_of(next(differing, ""))

    @property
    def exchange_s(self) -> float:
        """What a question and its answer take at most (s); 0 where the instrument is quick."""
        if self.slowest_answer is None:
            return 0.0
        ends = self.silence if self.reply_end == "silence" else 0.0
        return self.slowest_answer + self.gap + ends

    def gap_after(self, characters: int) -> float:
        """What to wait (s) once so many characters were handed over: a serial line may still be
        sending them. Nothing where there is no gap."""
        if not self.gap:
            return 0.0
        return self.gap + (characters * _BITS / self.baud_rate if "serial" in self.kinds else 0.0)

    def off_gaps_s(self, safe: Sequence[str]) -> float:
        """What passes (s) in gaps from another command to the last line of these, sent behind a
        bare line end."""
        return self.gap_after(max(map(len, safe))) * (1 + len(safe)) if safe else 0.0

    def rules(self) -> Iterable[Iterator[Broken]]:
        """What is more than lines needs a plain stream of bytes."""
        return (
            self._is_a_stream(),
            self._ends(),
            self._answers_in_time(),
            each(self._in_frames, _LINES_ONLY),
        )

    def _in_frames(self, _: int, name: str) -> Iterator[Broken]:
        if self.unit is not None and name in self.model_fields_set:
            yield "a unit speaks Modbus, which has frames of its own", (key_of(name),)

    def _answers_in_time(self) -> Iterator[Broken]:
        if self.slowest_answer is not None and self.slowest_answer > self.read_time_out:
            yield "is more than the read time-out", ("slowest answer",)

    def _is_a_stream(self) -> Iterator[Broken]:
        if "visa" in self.kinds and not (self.is_plain and self.unit is None):
            what = "silence as an end, echo, prompt and welcome need"
            what = what if self.unit is None else "Modbus needs"
            yield f"{what} a socket or a serial port", ("kinds", self.kinds.index("visa"))

    def _ends(self) -> Iterator[Broken]:
        if self.reply_end == "silence" and (self.echo or self.prompt):
            yield "what has an echo or a prompt has lines: give their end", ("reply end",)
