"""Replies made from a known value in the form of each definition, and ways to break them.

The form is that of an example in the instrument's manual; what it says is worked out here from the
letters of the number alone, without the dialects.
"""

import random
import re
from collections.abc import Callable
from decimal import Decimal
from functools import cache, reduce
from operator import xor
from pathlib import Path
from typing import Final, NamedTuple

from sequencer.documents.definition import InstrumentDefinition
from sequencer.source.loading import load
from tests.drivers import definitions

STRANGERS: Final = Path(__file__).parents[1] / "instruments" / "definitions"


class Form(NamedTuple):
    """How one reading is said. ``example`` has the number between ``<`` and ``>``; ``group`` is
    what it is; ``said`` works out the value that its letters say."""

    definition: str
    operation: str
    group: str
    example: str
    said: Callable[[str], Decimal] = Decimal
    channel: int | None = None

    @property
    def of(self) -> InstrumentDefinition:
        """The definition, one that ships or one of a stranger."""
        return _definition(self.definition)

    def made(self, rng: random.Random) -> tuple[str, str, str]:
        """What stands before a number, the number and what stands behind; any number that the
        instrument can measure."""
        before, number, after = re.fullmatch(r"(.*)<(.*)>(.*)", self.example).groups()  # type: ignore[union-attr]
        able = self.of.capability(f"measure {self.group}")
        while True:
            drawn = _drawn(number, rng)
            if able.low <= self.said(drawn) <= able.high:
                return before, drawn, _sealed(before + drawn, after)


def _drawn(number: str, rng: random.Random) -> str:
    """Other digits in the same places; no zero in front where there was none, no other exponent."""
    mantissa, mark, exponent = number.partition("E")
    is_padded = re.match(r"[+-]?0[0-9]", mantissa) is not None
    new = re.sub("[0-9]", lambda _: str(rng.randrange(10)), mantissa)
    if not is_padded:
        new = re.sub(r"^([+-]?)0+(?=[0-9])", r"\1", new)
    return new + mark + exponent


def _sealed(body: str, after: str) -> str:
    """What stands behind, with its checksum made anew: all letters between ``$`` and ``*``."""
    if "*" not in after:
        return after
    covered = body[1:] + after.partition("*")[0]
    return f"{after.partition('*')[0]}*{reduce(xor, covered.encode('ascii')):02X}"


@cache
def _definition(name: str) -> InstrumentDefinition:
    stranger = STRANGERS / f"{name}.yaml"
    if stranger.is_file():
        return load(stranger, InstrumentDefinition).document
    return definitions.definition(name)


def _comma(text: str) -> Decimal:
    return Decimal(text.replace(",", "."))


def _milli(text: str) -> Decimal:
    return Decimal(text) / 1000


def _drawn_milli(text: str) -> Decimal:
    return -Decimal(text) / 1000


def _tenths(text: str) -> Decimal:
    return Decimal(text) / 10


def _inside(text: str) -> Decimal:
    return Decimal(text[-1] + text[:-1].replace("V", "."))


WARMTH: Final = "measure temperature"
FORMS: Final = (
    Form("generic-scpi-supply", "measure", "voltage", "<4.1234>;+2.500E-01;1"),
    Form("generic-scpi-supply", "measure", "current", "4.1234;<+2.500E-01>;1"),
    Form("generic-scpi-supply-full", "measure", "voltage", "<4.1234>;+2.500E-01;1"),
    Form("generic-scpi-supply-selected", "measure", "current", "4.1234;<0.2500>;1"),
    Form("generic-scpi-load", "measure", "voltage", "<13.7000>;0;0"),
    Form("generic-scpi-load-full", "measure", "current", "13.7000;<1.500>;1"),
    Form("generic-scpi-load-timed", "measure", "current", "13.7000;<1.500>;1"),
    Form("generic-scpi-load-words", "measure", "current", "13.7000;<1.500>;1"),
    Form("generic-scpi-load-by-mode", "measure", "voltage", "<13.7000>;0;0"),
    Form("generic-scpi-multimeter", "measure voltage", "voltage", "<+4.123400E+00>"),
    Form("generic-scpi-multimeter-at-once", "measure voltage", "voltage", "<+4.123400E+00>"),
    Form("generic-line-thermometer", WARMTH, "temperature", "T1 <-13.46> degC", channel=1),
    Form("generic-line-thermometer-streaming", WARMTH, "temperature", "<23.4> C,22.0 C", channel=1),
    Form("brunde-150", "measure", "voltage", "U=<13.595> I=1.500 P=5.393 INP=ON MODE=C"),
    Form("brunde-150", "measure", "current", "U=3.595 I=<11.500> P=5.393 INP=ON MODE=C"),
    Form("wuxel-l8", "measure", "voltage", "U<03595>I-01500P00539S00003", _milli),
    Form("wuxel-l8", "measure", "current", "U03595I<-01500>P00539S00003", _drawn_milli),
    Form("ipsom-e60", "measure", "voltage", "E60;<13,595>V;1,500A;RUN", _comma),
    Form("ipsom-e60", "measure", "current", "E60;3,595V;<1,500>A;RUN", _comma),
    Form("ferluk-61", "measure voltage", "voltage", "<+03.7000>  V DC "),
    Form("gantrel-5", "measure voltage", "voltage", "<3V70000+>", _inside),
    Form("tavrin-1506", "measure", "voltage", "<13.805>V 1.500A 5.71W CC"),
    Form("tavrin-1506", "measure", "current", "3.805V <1.500>A 5.71W CC"),
    Form("ostrel-p30", "measure", "voltage", "<03.805>;1.500;A"),
    Form("hoddar-t4", WARMTH, "temperature", "<121,0> C", _comma, 1),
    Form("pelluc-8", WARMTH, "temperature", "$0001,<+0210>,+0205,OPEN,OPEN,OPEN,OPEN,OPEN,OPEN*05",
         _tenths, 1),
)  # fmt: skip
