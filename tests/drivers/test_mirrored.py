"""What is formed of a definition is read by it as what was said; for definitions drawn at random,
for the shipped ones, and for those written from the manuals of strangers."""

import re
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.dialects.choice import dialect_for
from drivers.dialects.forming import NoReplyFitsError
from drivers.dialects.specimen import specimen
from drivers.mirrored import Framing, MirroredInstrument
from drivers.registry import definition_path
from sequencer.documents.channels import at_channel, is_by_channel
from sequencer.documents.definition import InstrumentDefinition
from sequencer.documents.operations import NUMBER_GROUPS, OPERATIONS
from sequencer.source.loading import load
from sequencer.vocabulary.faults import FaultKind, InstrumentError
from tests.drivers.definitions import NAMES
from tests.instruments.language import described
from tests.instruments.test_several_values import pelluc

STRANGERS = sorted((Path(__file__).parents[1] / "instruments" / "definitions").glob("*.yaml"))
ALL = [*map(definition_path, NAMES), *STRANGERS]
WHO = {"maker": "Maker", "model": "Model", "serial": "123", "firmware": "1.0"}


class Values:
    """What stands behind: one value for each group, settings, and an output."""

    def __init__(self, **measured: float) -> None:
        self.values: dict[str, float] = dict.fromkeys(NUMBER_GROUPS, 1.0)
        self.values |= {"voltage": 3.7, "current": 0.25, "temperature": 23.4} | measured
        self.settings: dict[str, float] = {}
        self.is_on = False
        self.told: list[str] = []

    def measured(self, group: str, channel: int | None) -> float | bool:
        """As it was given; the flag where the group is one."""
        return self.values[group] if group in NUMBER_GROUPS else self.is_on

    def setting(self, operation: str) -> float:
        """As it was set."""
        return self.settings.get(operation, 0.0)

    def obey(self, operation: str, value: float | None) -> None:
        """Remember."""
        self.told.append(operation)
        if value is not None:
            self.settings[operation] = value
        expected = OPERATIONS[operation].expect
        self.is_on = self.is_on if expected is None else expected


def asked(dialect: Any, mirror: MirroredInstrument, operation: str, channel: int = 1) -> Any:
    """What the dialect reads of what the mirror answers, all questions of an operation joined."""
    named = channel if dialect.definition.operations[operation].asks_by_channel else None
    if dialect.hears(operation):
        replies = mirror.streamed()
    else:
        before = dialect.before(operation, channel)
        questions = [dialect.command(operation, None, channel)]
        questions += dialect.further(operation, channel)
        if before is not None:
            assert mirror.respond(before.decode()) is None
        framing = Framing(dialect.definition.link, mirror.texts)
        lasts = [framing.split(one)[0][-1] for one in questions]
        replies = [mirror.respond(one.decode()) or "nothing" for one in lasts]
    return dialect.reading(operation, ";".join(replies).encode(), named)


@pytest.mark.parametrize("path", ALL, ids=lambda one: one.stem)
def test_every_question_of_a_definition_is_answered_as_it_reads(path):
    """Readings to their resolution, settings and switches with their read-backs, the identity."""
    definition = load(path, InstrumentDefinition).document
    if is_by_channel(definition):
        definition = at_channel(definition, 1)
    dialect, behind = dialect_for(definition, "it"), Values()
    mirror = MirroredInstrument(definition, behind, WHO)

    def told(text: bytes) -> bytes:
        """What comes back for everything that is sent in one piece."""
        *_, last = Framing(definition.link, mirror.texts).split(text)[0]
        return (mirror.respond(last.decode()) or "").encode()

    if (query := dialect.identity_query()) is not None:
        assert dialect.identity(told(query)).matches
    if definition.errors is not None:
        assert dialect.error_entry(told(dialect.error_query())).fine
    for name, one in definition.operations.items():
        if one.send is None:
            reading = asked(dialect, mirror, name)
            numbers = {key: value for key, value in reading.items() if key in NUMBER_GROUPS}
            wanted = {key: behind.values[key] for key in numbers}
            assert numbers == pytest.approx(wanted, abs=1e-9)
            continue
        value = None if OPERATIONS[name].value is None else 1.0
        told(dialect.command(name, value, 1))
        assert name in behind.told
        if (back := dialect.read_back(name, 1)) is not None:
            dialect.confirm(name, value, told(back))


def _measure(
    draw: st.DrawFn, decimal: str, units: dict[str, dict[str, str]], *, is_behind: bool
) -> dict[str, Any]:
    """One question or three, in any order, with or without a checksum."""
    marks = {"point": r"\.", "comma": ","}
    group: dict[str, str] = {}
    for name, unit in units.items():
        text = marks.get(decimal, unit.get("written", unit["unit"]))
        digits = rf"[0-9]+(?:{text}[0-9]*)?" if decimal != "unit" else rf"[0-9]+{text}[0-9]*"
        group[name] = rf"(?P<{name}>{digits}[+-])" if is_behind else rf"(?P<{name}>[+-]?{digits})"
    order = draw(st.permutations(["voltage", "current", "output"]))
    group["output"] = "(?P<output>[A-Z0-9]+)"
    is_several = draw(st.booleans())
    joint = ";" if is_several else draw(st.sampled_from([" ", ",U ", "|"]))
    pattern = re.escape(joint).join(group[name] for name in order)
    measure: dict[str, Any] = {"query": "A?", "units": units, "pattern": pattern}
    if is_several:
        measure["then query"] = ["B?", "C?"]
    elif draw(st.booleans()):
        measure["pattern"] = rf"(?P<checked>{pattern})\*(?P<checksum>[0-9A-F]{{2}})"
        measure["checksum"] = draw(st.sampled_from(["sum", "exclusive or"]))
    if draw(st.booleans()):
        measure["reversed"] = ["current"]
    return measure


@st.composite
def habits(draw: st.DrawFn) -> tuple[InstrumentDefinition, dict[str, float]]:
    """A supply with habits at random, and what it has to say."""
    decimal = draw(st.sampled_from(["point", "comma", "unit"]))
    behind = draw(st.booleans())
    counts = draw(st.sampled_from(["1", "0.1", "10"]))
    units = {
        "voltage": {"unit": draw(st.sampled_from(["V", "mV"])), "times": counts},
        "current": {"unit": draw(st.sampled_from(["A", "mA"])), "written": "i"},
    }
    measure = _measure(draw, decimal, units, is_behind=behind)
    definition = described(
        "supply",
        values={
            "decimal sign": decimal,
            "sign": "behind" if behind else "in front",
            "numbers": "fixed",
            "yes": [draw(st.sampled_from(["ON", "1", "RUN"]))],
            "no": [draw(st.sampled_from(["OFF", "0", "STOP"]))],
        },
        operations={**_settings(), "measure": measure},
    )
    whole = draw(st.tuples(st.integers(0, 30_000), st.integers(0, 5000)))
    said = {
        "voltage": float(Decimal(whole[0]) / 1000),
        "current": float(Decimal(whole[1] // 10) / 100),
    }
    return definition, said


def _settings() -> dict[str, Any]:
    back = {"query": "S1?", "pattern": "(?P<value>.+)", "tolerance": "20 mV"}
    return {
        "set voltage": {"send": "V {value}", "read-back": back},
        "set current": {
            "send": "I {value}",
            "value unit": "mA",
            "read-back": back | {"query": "S2?", "tolerance": "1 mA"},
        },
        "set over-voltage": {"send": "P {value}", "read-back": back | {"query": "S3?"}},
        "output on": {"send": "ON", "read-back": {"query": "O?", "pattern": "(?P<output>.+)"}},
        "output off": {
            "send": "OUTP OFF",
            "read-back": {"query": "O?", "pattern": "(?P<output>.+)"},
        },
    }


@settings(max_examples=60, deadline=None)
@given(habits())
def test_what_is_formed_is_read_as_what_was_said(drawn):
    """Decimal signs, signs behind, units of milli, counts of tenths, several questions, checksums,
    other words for on and off, the other sign: the reading is the value, to its resolution."""
    definition, said = drawn
    behind = Values(**said)
    mirror, dialect = MirroredInstrument(definition, behind, WHO), dialect_for(definition, "it")
    for is_on in (True, False):
        behind.is_on = is_on
        reading = asked(dialect, mirror, "measure")
        assert reading == {
            "voltage": pytest.approx(said["voltage"], abs=0.5e-3 + 1e-9),
            "current": pytest.approx(said["current"], abs=5e-3 + 1e-9),
            "output": is_on,
        }
    for name, value in (("set voltage", said["voltage"]), ("set current", said["current"])):
        mirror.respond(dialect.command(name, value).decode())
        back = dialect.read_back(name)
        dialect.confirm(name, value, mirror.respond(back.decode()).encode())


def test_a_sensor_that_is_off_and_a_value_beyond_the_range_have_texts():
    """As the definition spells them; where it has none, nothing is answered."""
    listed = pelluc()
    mirror = MirroredInstrument(listed, Values(temperature=float("nan")), WHO)
    with pytest.raises(InstrumentError) as raised:
        asked(dialect_for(listed, "it"), mirror, "measure temperature")
    assert raised.value.kind is FaultKind.INVALID_READING
    supply = described("supply", values={"numbers": "fixed"})
    mirror = MirroredInstrument(supply, Values(voltage=float("inf")), WHO)
    assert mirror.respond("MEAS:VOLT?;:MEAS:CURR?;:OUTP?") is None


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"operations": {**_settings(), "measure": {
            "query": "A?", "then query": ["B?"],
            "pattern": "(?P<voltage>.+);(?P<current>.+);(?P<output>.+)"}}}, "part at ';'"),
        ({"identity": {"query": "OUTP?", "pattern": "[a-z]+", "tells": "nothing"}},
         "output cannot be written"),
        ({"operations": {**_settings(), "measure": {
            "query": "A?", "pattern": "(?P<voltage>[a-z]+) (?P<current>.+) (?P<output>.+)"}}},
         "voltage cannot be written"),
    ],
)  # fmt: skip
def test_a_definition_that_contradicts_itself_is_refused_in_words(changes, words):
    """Patterns of one question that no text fits, a number where only letters are read."""
    with pytest.raises(NoReplyFitsError, match=words):
        MirroredInstrument(described("supply", **changes), Values(), WHO)


@pytest.mark.parametrize(
    "pattern",
    [r"a|b", r"(?:x(?P<v>\d+))?", r"[^\s]+\W\w{2,4}", r"(?i:ok)", r"(.)\1", r"x*?y+", r"[^a]b?",
     r"(?>ab)+", r".{3}\S\D", r"\$[0-9A-F]{4}\*"],
)  # fmt: skip
def test_a_specimen_is_matched_by_its_pattern(pattern):
    """And has every group that may be there."""
    text = specimen(pattern)
    match = re.fullmatch(pattern, text, re.ASCII)
    assert match is not None
    assert None not in match.groups()


def test_what_only_an_assertion_wants_is_not_found():
    """It is said to be none; nothing is made up that the pattern refuses."""
    assert specimen(r"(?=b)\w") is None


def test_lines_are_framed_as_the_link_says():
    """Echo, prompt, welcome, and commands that have no end."""
    link = described("supply").link.model_copy(
        update={"echo": True, "prompt": "# ", "welcome": "Hello [0-9]", "reply_end": "CRLF"}
    )
    framing = Framing(link, ["OUTP?"])
    assert framing.welcome == b"Hello 0\r\n# "
    assert framing.around(b"OUTP?", "1") == b"OUTP?\r\n1\r\n# "
    assert framing.around(b"OUTP ON", None) == b"OUTP ON\r\n# "
    assert framing.split(b"A\nB") == ([b"A"], b"B")
    endless = Framing(link.model_copy(update={"line_end": "none"}), ["#V{value}!", "#R!"])
    assert endless.split(b"#V1.5!#R!#V2") == ([b"#V1.5!", b"#R!"], b"#V2")
    assert endless.split(b"#V2#R!") == ([b"#R!"], b"")


def test_a_voltage_that_is_taken_only_while_off_is_refused_while_on():
    """And said in the error queue."""
    operations = _settings() | {"measure": {
        "query": "A?", "pattern": "(?P<voltage>.+) (?P<current>.+) (?P<output>.+)"}}  # fmt: skip
    operations["set voltage"]["only while off"] = "yes"
    behind = Values()
    mirror = MirroredInstrument(described("supply", operations=operations), behind, WHO)
    for text in ("V 4.0", "ON", "V 5.0"):
        mirror.respond(text)
    assert behind.settings == {"set voltage": 4.0}
    assert mirror.respond("SYST:ERR?") == '-221,"Settings conflict"'
