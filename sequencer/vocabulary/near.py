"""The word that was meant, where a person wrote one that is not known.

Three looks, the surest first: the same word in another spelling (case, blanks, hyphens, a number as
a digit or a word), a synonym of the trade, and the closest spelling.
"""

import re
from collections.abc import Iterable
from difflib import get_close_matches
from typing import Final

_NUMBERS = "zero one two three four five six seven eight nine ten"
_DIGITS: Final = {word: str(number) for number, word in enumerate(_NUMBERS.split(" "))}
_PARTS = re.compile(r"[a-z]+|[0-9]+")
SYNONYMS: Final[dict[str, str]] = {
    "supply": "power supply, PSU, source, charger",
    "load": "electronic load, sink, discharger",
    "meter": "multimeter, DMM, voltmeter, ammeter",
    "thermometer": "temperature logger, logger, thermocouple logger, data logger",
    "contactor": "relay, relay board, switch",
    "four-wire": "Kelvin, Kelvin sense, remote, remote sense, 4W",
    "two-wire": "local, local sense, 2W",
    "earth": "ground, grounded, earthed, PE, chassis, protective earth",
    "isolated": "floating, insulated",
    "joined by link": "USB, USB ground, serial ground, computer ground",
    "positive": "plus, +, red, high side",
    "negative": "minus, -, black, low side",
    "both": "two poles, double pole",
    "LF": r"\n, newline, line feed",
    "CRLF": r"\r\n",
    "CR": r"\r, carriage return",
    "address": "port, resource, VISA resource, resource name, host",
    "serial number": "serial, S/N, SN",
    "definition": "driver file, instrument definition",
    "contactor lead": "contactor pole",
    "lead resistance": "cable resistance, wire resistance",
    "shared leads": "common leads",
    "baud rate": "baud, bit rate",
    "send": "command, set",
    "query": "ask, question, request",
    "pattern": "regex, regexp, expression",
    "read-back": "readback, verify, check",
    "tolerance": "allowed difference",
    "capabilities": "ranges, specifications, specs",
    "accuracy": "error, uncertainty",
    "low": "min, minimum, from",
    "high": "max, maximum, to",
    "resolution": "step, count",
    "NMC": "NCM, LiNiMnCoO2",
    "NCA": "LiNiCoAlO2",
    "LCO": "LiCoO2, cobalt oxide",
    "LMO": "LiMn2O4, manganese oxide",
    "LFP": "LiFePO4, iron phosphate",
    "LTO": "Li4Ti5O12, titanate",
    "rated capacity": "nominal capacity, capacity, design capacity",
    "charge voltage": "max voltage, maximum voltage, upper voltage, end of charge voltage",
    "cut-off voltage": "end of discharge voltage, min voltage, minimum voltage, lower voltage",
    "charge current": "max charge current, maximum charge current",
    "discharge current": "max discharge current, maximum discharge current",
    "termination current": "taper current, end current, cut-off current, tail current",
    "state of charge": "SOC",
    "expected resistance": "internal resistance, DCIR, IR",
    "rest": "pause, relax, idle, OCV",
    "repeat": "loop, cycle, cycles",
    "for each": "foreach, for all",
    "finish at storage charge": "storage, storage charge",
    "pulse train": "pulses, HPPC",
    "for": "duration, time, length",
    "at most": "time limit, time-out, limit",
    "times": "count, number, repeats",
    "label": "name, title",
    "recommended": "nominal, rated, normal, default",
}
"""By the word that documents know: what else the trade calls it."""


def closest(word: str, names: Iterable[str], like: float = 0.6) -> str:
    """The one of ``names`` that is meant by ``word``; or nothing. ``like``: how close a spelling
    must be, as difflib counts it (1 is the same). Words of different numbers are never close."""
    wanted, known = _form(word), list(names)
    for name in known:
        others = SYNONYMS[name].split(", ") if name in SYNONYMS else ()
        if wanted in map(_form, (name, *others)):
            return name
    spelt = {name.lower(): name for name in known if not _numbers_differ(_form(name), wanted)}
    close = get_close_matches(word.lower(), list(spelt), n=1, cutoff=like)
    return spelt[close[0]] if close else ""


def did_you_mean(word: str, names: Iterable[str], like: float = 0.6) -> str:
    """``: did you mean 'x'?`` when one of ``names`` is close; or nothing."""
    meant = closest(word, names, like)
    return f": did you mean '{meant}'?" if meant else ""


def _form(word: str) -> str:
    """The word in one spelling of all: small letters, single blanks, numbers as digits. A text
    without letter or digit stands for itself."""
    parts = _PARTS.findall(word.lower())
    return " ".join(_DIGITS.get(part, part) for part in parts) or repr(word)


def _numbers_differ(one: str, other: str) -> bool:
    found = [re.findall(r"[0-9]+", text) for text in (one, other)]
    return all(found) and found[0] != found[1]
