"""Supply, load, contactor and meter of scripted answers, and making safe with them.

Written for these tests only.
"""

from typing import Any

from drivers.off.carrying_out import make_safe, prove_off
from sequencer.documents.safing import AnswerPart, Ask, Identify, Safed, SafingLink, SafingPlan
from tests.drivers.off.virtual_threads import Links, Scripted, VirtualThreads

FLAG: dict[str, Any] = {"off": ("0",), "on": ("1",)}
MEASURED = "(?P<voltage>[^;]+);(?P<current>[^;]+);(?P<output>[^;]+)"
MEASURES = Ask(
    "M?",
    MEASURED,
    (
        AnswerPart("voltage", "voltage", low=-1.0, high=5.0),
        AnswerPart("current", "current"),
        AnswerPart("output", "output", **FLAG),
    ),
)


def wire(name):
    """The link by which it is found."""
    return SafingLink("tcp", host=name, port=1)


def output(name, role="charge", **changes):
    """A supply or load that knows its name."""
    one = Safed(name, (role,), wire(name), offs=("OFF",), identify=Identify("WHO", f"I,{name}"))
    return one._replace(asks=(MEASURES,), visible_a=0.02, **changes)


CONTACTOR = Safed(
    "contactor",
    ("contactor",),
    wire("contactor"),
    offs=("OPEN",),
    identify=Identify("WHO", "I,contactor"),
    asks=(Ask("S?", "(?P<closed>.+)", (AnswerPart("contact", "closed", **FLAG),)),),
)
METER = Safed(
    "meter",
    ("voltage",),
    wire("meter"),
    identify=Identify("WHO", "I,meter"),
    asks=(Ask("V?", "(?P<v>.+)", (AnswerPart("voltage", "v", low=-1.0, high=5.0),)),),
)
SUPPLY, LOAD = output("supply"), output("load", "discharge")


def source(name="supply", *, obeys=True, amps=1.0, **given):
    """A supply or load that is on until it is told to be off. Off behind an open contact its
    terminals show nothing, on they show what it drives them to."""
    one = Scripted(name, {"WHO": f"I,{name}"}, **given)

    def goes_off():
        one.is_on = one.is_on and not obeys

    one.answers["OFF"] = goes_off
    one.answers["M?"] = lambda: f"{terminal(one)};{amps if one.is_on else 0.0};{int(one.is_on)}"
    return one


def idle(name="load", **given):
    """A load that is off: its terminals show whether the contact parts the cell."""
    one = source(name, **given)
    one.is_on = False
    return one


def terminal(one):
    """What a supply or load reads at its terminals (V): the cell, unless the contact parts it."""
    return 0.0 if one.is_parted and not one.is_on else 3.7


def contactor(*, obeys=True, **given):
    """A contactor that is closed until it is told to open."""
    one = Scripted("contactor", {"WHO": "I,contactor"}, **given)

    def opens():
        one.is_on = one.is_on and not obeys

    one.answers |= {"OPEN": opens, "S?": lambda: str(int(one.is_on))}
    return one


def meter(**given):
    """A meter that sees the cell."""
    return Scripted("meter", {"WHO": "I,meter", "V?": "3.7"}, **given)


def mute(one):
    """The same without a word; it obeys."""
    for line in ("WHO", "M?", "S?", "V?"):
        one.answers.pop(line, None)
    return one


class ScriptedBench:
    """A plan, its instruments, and what came of it. A contact was seen to part and to join."""

    def __init__(self, monkeypatch, *pairs, seed=None):
        self.plan = SafingPlan("scripted", tuple(one for one, _ in pairs), contact_seen=True)
        self.instruments = [one for _, one in pairs]
        contact = next((one for one in self.instruments if one.name == "contactor"), None)
        for one in self.instruments:
            one.behind = contact
        self.threads = VirtualThreads(seed)
        self.links = Links(self.threads, *self.instruments)
        self.threads.install(monkeypatch, self.links)

    def make_safe(self, **given):
        """The proof; nobody may be left behind unless the test says so."""
        return make_safe(self.plan, pause=self.threads.sleep, **given)

    def prove_off(self, **given):
        """The same without a command."""
        return prove_off(self.plan, pause=self.threads.sleep, **given)

    def lines(self, name):
        """When and what this one was told."""
        return [(at, what) for at, who, what in self.threads.trace if who == name]

    def said(self, name):
        """What it was told, without times and line ends."""
        return [what.rstrip("\n") for _, what in self.lines(name)]
