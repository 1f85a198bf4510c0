"""Single mistakes in definitions, each tried: ``python -m tests.drivers.mistakes``.

Every mistake is one change of one line of a definition that ships. It is either refused when the
definition is read, or ``bench try`` is carried out with it against an instrument that is as the
unchanged definition says: written here from the commands alone, or a simulator that was written
before the definition. A supply is joined to a resistor of 10 Ohm, a load or a meter to a source of
0.4 V, as a second meter shows it. Prints how many are found, and lists the rest. Ends with 1 below
the goal.
"""

import re
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import NamedTuple

from drivers.instruments.instrument import Instrument
from drivers.instruments.noted_wire import Noting
from drivers.instruments.trial import Trial
from drivers.transports.memory import MemoryTransport
from drivers.transports.modbus import ModbusFrames
from sequencer.documents.channels import at_channel, is_by_channel
from sequencer.documents.definition import InstrumentDefinition
from sequencer.source.loading import load_text
from sequencer.vocabulary.faults import DocumentError, DocumentFault, RefusedError
from tests.instruments.in_process import InProcess
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.generic import GENERIC
from tests.instruments.simulators.generic_modbus import GENERIC_MODBUS
from tests.instruments.simulators.speaking import SimulatedInstrument
from tests.instruments.simulators.zumbrel_m10 import ZumbrelM10

WRITTEN_HERE = (
    "generic-scpi-supply",
    "generic-scpi-load",
    "generic-scpi-multimeter",
    "generic-line-thermometer",
    "generic-line-contactor",
)
MODBUS: dict[str, Callable[[Circuit, bool], SimulatedInstrument]] = {
    **GENERIC_MODBUS,
    "zumbrel-m10": ZumbrelM10,
}
"""Those that speak Modbus: the ones that ship, and a charger with its numbers in 32 bits."""
ROOT = Path(__file__).parents[2]
GOAL = 0.95
OHM = 10.0
SOURCE_V = 0.4
CHANNELS = {
    "generic-line-thermometer": 1,
    "generic-line-thermometer-streaming": 1,
    "generic-modbus-thermometer": 1,
}


class FarEnd:
    """What stands at the other end of the wire: settings, an output, and a resistor."""

    def __init__(self, name: str) -> None:
        self._is_load = name == "generic-scpi-load"
        self._is_on = self._is_closed = False
        self._set = {"VOLT": 0.0, "CURR": 0.0, "VOLT:PROT": 33.0, "VOLT:PROT:LOW": 0.0}
        most_v, most_a = (60.0, 20.0) if self._is_load else (30.0, 5.0)
        self._most = {"VOLT": most_v, "CURR": most_a, "VOLT:PROT": 33.0, "VOLT:PROT:LOW": most_v}
        self._watchdog_s, self._errors = 0.0, 0
        self._serves: Callable[[str], str | None] = {
            "generic-line-contactor": self._contactor,
            "generic-line-thermometer": self._thermometer,
        }.get(name, self._scpi)

    def respond(self, data: bytes) -> bytes:
        """What comes back for these bytes; a line that is not known is counted as an error."""
        replies = [self._line(line) for line in data.decode("ascii").split("\n")[:-1]]
        return "".join(f"{one}\n" for one in replies if one is not None).encode("ascii")

    def _line(self, line: str) -> str | None:
        found = [self._serves(part.removeprefix(":")) for part in line.split(";")]
        told = [one for one in found if one is not None]
        return ";".join(told) if told else None

    def _scpi(self, line: str) -> str | None:
        if line == "SYST:ERR?":
            self._errors, code = 0, self._errors
            return '-113,"Undefined header"' if code else '0,"No error"'
        one = re.fullmatch(r"(VOLT|CURR|VOLT:PROT|VOLT:PROT:LOW) ([0-9.]+)", line)
        if one is not None:
            is_within = float(one[2]) <= self._most[one[1]]
            self._errors += not is_within
            self._set |= {one[1]: float(one[2])} if is_within else {}
            return None
        if line[:-1] in self._set and line.endswith("?"):
            return f"{self._set[line[:-1]]:g}"
        if line in ("OUTP ON", "OUTP OFF", "INP ON", "INP OFF"):
            self._is_on = line.endswith("ON")
            return None
        return self._asked(line)

    def _asked(self, line: str) -> str | None:
        volts, amps = 0.0, 0.0
        if self._is_load:
            volts, amps = SOURCE_V, self._set["CURR"] if self._is_on else 0.0
        elif self._is_on:
            amps = min(self._set["VOLT"] / OHM, self._set["CURR"])
            volts = amps * OHM
        known = {
            "*IDN?": "maker,model,123,1.0",
            "OUTP?": f"{self._is_on:d}",
            "INP?": f"{self._is_on:d}",
            "MEAS:VOLT?": f"{volts:.4f}",
            "MEAS:CURR?": f"{amps:.4f}",
            "FUNC?": "CURR",
            "READ?": f"{SOURCE_V:.4f}",
        }
        if line not in known and line not in ("*CLS", "FUNC CURR", "CONF:VOLT:DC 10", ""):
            self._errors += 1
        return known.get(line)

    def _contactor(self, line: str) -> str | None:
        if (one := re.fullmatch(r"WATCHDOG ([0-9.]+)", line)) is not None:
            asked_s = float(one[1])
            is_taken = asked_s == 0.0 or 0.5 <= asked_s <= 60.0
            self._watchdog_s = asked_s if is_taken else self._watchdog_s
        if line in ("OPEN", "CLOSE"):
            self._is_closed = line == "CLOSE"
        state = "CLOSED" if self._is_closed else "OPEN"
        known = {
            "STATE?": state,
            "WATCHDOG?": f"{self._watchdog_s:g}",
            "ID?": "maker,model,123,1.0",
        }
        return known.get(line)

    def _thermometer(self, line: str) -> str | None:
        return {"T1?": "T1 23.46 degC", "ID?": "maker,model,123,1.0"}.get(line)


class Mistake(NamedTuple):
    """One changed or added line (from 1), in the lines ``first`` to ``last`` of one entry."""

    definition: str
    text: str
    line: int
    first: int
    last: int
    words: str


class Outcome(NamedTuple):
    """What came of it: ``refused``, ``found`` or ``missed``, and whether its entry was named."""

    word: str
    is_named: bool


def mistakes(seed: int = 1) -> Iterator[Mistake]:
    """Every one, for every definition that ships and can be tried alone."""
    for name in (*GENERIC, *MODBUS):
        lines = path_of(name).read_text(encoding="utf-8").splitlines()
        chance = Random(f"{seed} {name}")
        for number, changed in _changes(lines, chance):
            if _is_taken_alike(name, lines[number - 1], changed):
                continue
            first, last = _entry(lines, number)
            text = "\n".join([*lines[: number - 1], *changed, *lines[number:]]) + "\n"
            more = len(changed) - 1
            words = f"{lines[number - 1].strip()} -> {' / '.join(one.strip() for one in changed)}"
            yield Mistake(name, text, number, first, last + more, words)


def _is_taken_alike(name: str, line: str, changed: list[str]) -> bool:
    """No mistake: a serial number that is signed, but small; white space, which SCPI takes in any
    number, a CR before the LF among it; the line end of what is sent to an instrument that takes
    no commands."""
    if name in MODBUS and "uint32" in line and " int32" in changed[0]:
        return True
    is_scpi = "scpi" in name and name not in WRITTEN_HERE
    is_end = line.strip().startswith("line end:")
    if is_scpi and is_end and "CRLF" in changed[0]:
        return True
    return (is_scpi and changed[0].split() == line.split()) or (is_end and "streaming" in name)


def _entry(lines: list[str], number: int) -> tuple[int, int]:
    """The lines of the entry around that line: an operation, or one of the top keys."""
    heads = [place for place, line in enumerate(lines, 1) if re.match("[a-z]", line)]
    top = lines[max(place for place in heads if place <= number) - 1]
    if top in ("operations:", "link:", "values:"):
        heads += [place for place, line in enumerate(lines, 1) if re.match("  [a-z]", line)]
        heads.sort()
    first = max(place for place in heads if place <= number)
    return first, min((place for place in heads if place > first), default=len(lines) + 1) - 1


def _changes(lines: list[str], chance: Random) -> Iterator[tuple[int, list[str]]]:
    ends = next(place for place, line in enumerate(lines, 1) if line.startswith("traits:"))
    starts = next(place for place, line in enumerate(lines, 1) if line.startswith("identity:"))
    for number in range(starts, ends):
        line = lines[number - 1]
        yield from ((number, [one]) for one in _swapped(line) if one != line)
        if "dialect: modbus" in lines:
            yield from ((number, [one]) for one in _displaced(line) if one != line)
        else:
            yield from ((number, [one]) for one in _misspelt(line, chance) if one != line)
        yield from ((number, [line, more]) for more in _scales(line))


VOLTS, AMPS = ("mV", "uV"), ("mA", "uA")
SWAPS = (
    ("VOLT", "CURR"),
    ("CURR", "VOLT"),
    (" ON", " OFF"),
    (" OFF", " ON"),
    ("<voltage>", "<current>"),
    ("CLOSE", "OPEN"),
    ("OPEN", "CLOSE"),
    ("LF", "CR"),
    ("LF", "CRLF"),
    ("VOLT?", "VOLT:PROT?"),
    ("CURR?", "VOLT?"),
    (": 1 mV", ": 1 V"),
    ("decimals: 3", "decimals: 0"),
    ("decimals: 3", "decimals: 1"),
    ("degC }", "K }"),
    ("MEAS:VOLT?;:MEAS:CURR?", "MEAS:CURR?;:MEAS:VOLT?"),
    ("MEAS:SCAL:VOLT:DC?;:MEAS:SCAL:CURR:DC?", "MEAS:SCAL:CURR:DC?;:MEAS:SCAL:VOLT:DC?"),
    ("NSEL 1", "NSEL 2"),
    ("RELAY 1", "RELAY 2"),
    ("INPUT 1", "INPUT 2"),
    ("INPUT 1", "RELAY 1"),
    ("(?P<closed>[01])", "(?P<closed>[A-Z]+)"),
    ("CC:LEV", "CC:UND"),
    ("CC:UND", "CC:LEV"),
    ('"CC"', '"CR"'),
    ('fine codes: ["0"]', 'fine codes: ["1"]'),
    ("numbers: fixed", "decimal sign: comma"),
)


def _swapped(line: str) -> Iterator[str]:
    for old, new in SWAPS:
        if old == "<voltage>" and "<current>" in line:
            yield line.replace("<voltage>", "<x>").replace("<current>", old).replace("<x>", new)
        elif old in line:
            yield line.replace(old, new, 1)


def _misspelt(line: str, chance: Random) -> Iterator[str]:
    """A character left out, doubled or changed in what is sent or asked."""
    found = re.search(r'(?:send|query|safe|on open): \[?"([^"]+)"', line)
    if found is None:
        return
    for _ in range(6):
        place = chance.randrange(found.start(1), found.end(1))
        if line[place] in "{}" or ("{" in line[found.start(1) : place] and "}" in line[place:]):
            continue
        yield line[:place] + line[place + 1 :]
        yield line[:place] + line[place] + line[place:]
        yield line[:place] + chance.choice("ABEKXZ") + line[place + 1 :]


OTHERWISE = (
    ("ABCD", "CDAB"), ("CDAB", "ABCD"), ("ABCD", "BADC"), ("int16", "uint16"), ("uint32", "int32"),
    ("uint32 ABCD", "uint16"), (" int16", ""), ("x0.01", "x0.1"), ("x0.01", "x0.00001"),
    ("x0.001", "x0.01"), ("x0.001", "x0.000001"), ("x0.001", ""), ("x0.01", ""), ("x0.1", "x1"),
    ("x0.1", "x0.01"), ("input ", "holding "), ("holding ", "input "), ("discrete ", "coil "),
    ("coil ", "discrete "), ("coil ", "holding "), (" = 1", " = 0"), (" = 0", " = 1"),
)  # fmt: skip
"""Word order, sign, kind, scale, table, and on for off."""


def _displaced(line: str) -> Iterator[str]:
    """Registers, coils and units one further or one less, and what is read there otherwise."""
    found = re.search(r"(?:send|query|safe|on open|unit)[^:]*: (.*)", line)
    if found is None:
        return
    for number in re.finditer(r"(?<![\w.=-]) ?(?<![\w.])(\d+)(?![\w.])", found[1]):
        at = found.start(1) + number.start(1), found.start(1) + number.end(1)
        if line[: at[0]].rstrip().endswith(("=", "tolerance:")):
            continue
        for step in (1, -1):
            moved = int(number[1]) + step
            if moved >= 0:
                yield f"{line[: at[0]]}{moved}{line[at[1] :]}"
    yield from (line.replace(old, new, 1) for old, new in OTHERWISE if old in found[1])


def _scales(line: str) -> Iterator[str]:
    """A unit of a thousandth, or a thousand times, or the other sign."""
    sends = re.match(r'( +)send: ".*?(VOLT|CC:UND|CURR|CC:LEV|WATCHDOG)[A-Z:]* \{value\}"', line)
    if sends is not None:
        units = {"VOLT": VOLTS, "CC:UND": VOLTS, "CURR": AMPS, "CC:LEV": AMPS}
        for unit in units.get(sends[2], ("ms", "min")):
            yield f"{sends[1]}value unit: {unit}"
    asks = re.match(r"( +)pattern: .*<(voltage|current|temperature)>", line)
    if asks is not None:
        for name, wrong in (("voltage", VOLTS), ("current", AMPS)):
            if f"<{name}>" in line:
                yield from (f"{asks[1]}units: {{{name}: {{unit: {unit}}}}}" for unit in wrong)
                yield f"{asks[1]}reversed: [{name}]"


def path_of(name: str) -> Path:
    """The definition of that name."""
    room = "tests/instruments" if name == "zumbrel-m10" else "drivers"
    return ROOT / f"{room}/definitions/{name}.yaml"


def ohm_of(name: str) -> float:
    """Where 10 mV and 1 mA are one count each, both would be the same number on 10 Ohm."""
    return 15.0 if name in MODBUS else OHM


def _joined(name: str, definition: InstrumentDefinition, circuit: Circuit) -> InProcess:
    """The simulator on that circuit, at the end of a wire; in RTU frames what speaks Modbus."""
    if name not in MODBUS:
        return InProcess(definition.link, GENERIC[name](circuit))
    wire = InProcess(definition.link, MODBUS[name](circuit, False))
    wire.frames = ModbusFrames(definition.link.unit or 0, is_tcp=False, baud=9600)
    wire.frames.pause_s = 0.0
    return wire


def trial_of(name: str, definition: InstrumentDefinition) -> Trial:
    """The trial of a definition against what was written for the unchanged one of that name."""
    if is_by_channel(definition):
        definition = at_channel(definition, 1)
    pause: Callable[[float], None] = lambda _s: None  # noqa: E731
    memory: MemoryTransport
    if name in WRITTEN_HERE:
        memory = MemoryTransport("it", definition.link, FarEnd(name).respond)
    else:
        drives = definition.kind == "supply"
        circuit = Circuit(0.0, ohm_of(name)) if drives else Circuit(SOURCE_V, 0.05)
        memory = _joined(name, definition, circuit)
        pause = memory.wait
    wire = Noting(memory)
    instrument = Instrument("it", definition, wire, pause=pause)
    source_v = SOURCE_V if definition.kind in ("load", "meter") else None
    return Trial(instrument, wire, CHANNELS.get(name), pause, source_v)


def carry_out(one: Mistake) -> Outcome:
    """Read the definition with its mistake, then try it."""
    try:
        loaded = load_text(one.text, f"{one.definition}.yaml", InstrumentDefinition)
    except DocumentError as error:
        return Outcome("refused", any(_names(one, fault) for fault in error.faults))
    trial = trial_of(one.definition, loaded.document)
    try:
        trial.with_output_off()
        trial.with_output_on(ohm_of(one.definition))
    except RefusedError:
        return Outcome("found", True)
    wrong = [seen for seen in trial.exchanges if not seen.fits]
    if not wrong:
        return Outcome("missed", False)
    lines = {loaded.place(*place)[1] for place in wrong[0].places}
    return Outcome("found", any(one.first <= line <= one.last for line in lines))


def _names(one: Mistake, fault: DocumentFault) -> bool:
    """By its line, or by the name of the operation that the line is compared with."""
    entry = one.text.splitlines()[one.first - 1].strip().partition(":")[0]
    return one.first <= fault.line <= one.last or f"the one of {entry}" in fault.message


def main() -> int:
    """Everything, counted."""
    told: Counter[str] = Counter()
    for one in {one.text: one for one in mistakes()}.values():
        outcome = carry_out(one)
        told[outcome.word] += 1
        told["named"] += outcome.is_named
        if not outcome.is_named:
            print(f"{outcome.word}, not named: {one.definition}:{one.line}: {one.words}")
    count = told["refused"] + told["found"] + told["missed"]
    print(f"{count} mistakes: {dict(told)}; named {told['named'] / count:.1%}, goal {GOAL:.0%}")
    return int(told["named"] < GOAL * count)


if __name__ == "__main__":
    sys.exit(main())
