"""What ``init --ask`` asks, in its order: listed by ``init --help`` and before the first question.

Words alone, so that a help costs nothing; which answer is right is judged where it is asked.
"""

from typing import Final, NamedTuple


class ListedQuestion(NamedTuple):
    """What is asked; ``when`` it is, where not always."""

    words: str
    when: str = ""


EACH: Final = "of each that there is"
QUESTIONS: Final[dict[str, ListedQuestion]] = {
    "bench": ListedQuestion("What is this bench called?"),
    "supply": ListedQuestion("What charges the cell?"),
    "protection": ListedQuestion(
        "Has it an over-voltage protection that can be set, as its definition says?", "of a supply"
    ),
    "load": ListedQuestion("What discharges the cell?"),
    "meter": ListedQuestion("What meter reads the cell's voltage?"),
    "ammeter": ListedQuestion("What ammeter of its own sits in series with the cell?"),
    "logger": ListedQuestion("What reads temperatures?"),
    "contactor": ListedQuestion("What parts the cell from all outputs?"),
    "channel": ListedQuestion(
        "Which channel of it, or which address on its bus?", "where its definition says {channel}"
    ),
    "unit": ListedQuestion("Its Modbus unit?", "of what speaks Modbus"),
    "address": ListedQuestion("Where does it answer?", EACH),
    "negative": ListedQuestion(
        "What is its negative terminal joined to: isolated, earth or joined by link (USB, a serial"
        " ground)? (Enter: not known)",
        "of supply, load and meters",
    ),
    "serial number": ListedQuestion(
        "Its serial number, if only this very one may answer? (Enter: any of its kind)", EACH
    ),
    "tabs": ListedQuestion(
        "Do wires of the {by}'s own, which carry no current, reach the cell's tabs?",
        "of what reads the cell's voltage",
    ),
    "ammeter lead": ListedQuestion(
        "In which lead does the ammeter sit: positive or negative? (nothing: leave it out)",
        "with an ammeter",
    ),
    "contactor lead": ListedQuestion(
        "In which lead does the contactor sit: positive, negative or both?", "with a contactor"
    ),
    "isolation": ListedQuestion(
        "By hand, everything on and linked and no cell: the least resistance of any negative to"
        " earth and to every other, such as 20 MOhm? (Enter: not measured)",
        "with something in the negative lead",
    ),
    "isolation on": ListedQuestion(
        "On which day was that measured, such as 2026-10-03?", "where it was measured"
    ),
    "isolation by": ListedQuestion("By whom was that measured?", "where it was measured"),
    "leads": ListedQuestion("Resistance of both leads together, as measured, such as 40 mOhm?"),
    "shared": ListedQuestion(
        "Are supply and load joined at their terminals, with one pair of leads to the cell?",
        "with both",
    ),
    "sense": ListedQuestion(
        "Do sense wires of the {name} reach the cell's tabs?", "of supply and of load"
    ),
    "sensor": ListedQuestion("Is its sensor {where}?", "of a thermometer with one reading"),
    "sensor channel": ListedQuestion(
        "Channel of the sensor {where}? (Enter: none)", "of a thermometer with several"
    ),
    "element": ListedQuestion(
        "What element is the sensor {where}, such as {{type: Pt100, class: B, wires: 4}}?",
        "of one that is read in ohms or volts",
    ),
    "person": ListedQuestion("Will a person stay beside every run?"),
}


def listed() -> list[str]:
    """Every question, a line each, with when it is asked."""
    gaps = {"by": "meter", "name": "supply", "where": "on the cell's surface"}
    return [
        f"  {one.words.format(**gaps)}{f' [{one.when}]' if one.when else ''}"
        for one in QUESTIONS.values()
    ]
