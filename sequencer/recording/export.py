"""A run's samples as a file of the open Battery Data Format, under the standard's name.

Labels in the first line, positive current charges, an empty field is no reading. Where the standard
has a common word for a kind of step, the step type is that word, here and nowhere else. A side file
declares every column; damaged rows are left out, and said so there. What is read back from the file
is, to the last digit, what is read from the run.
"""

import contextlib
import functools
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from sequencer.recording.columns import (
    HEADER,
    INDEX,
    LABELS,
    MACHINE_NAMES,
    OWN,
    TEXT_LABELS,
    is_count,
)
from sequencer.recording.csv_reading import SampleFile
from sequencer.recording.folder import SAMPLES
from sequencer.recording.layout import fields_of
from sequencer.recording.medium import write_json
from sequencer.recording.rows import csv_text
from sequencer.recording.run import RecordedRun
from sequencer.recording.simulated import is_simulated
from sequencer.recording.step_words import step_type
from sequencer.vocabulary.faults import RecordError

ENDING = ".bdf.csv"
VERSION = "1.3.0"
NAMESPACE = "https://w3id.org/battery-data-alliance/ontology/battery-data-format#"
CONTEXT = "https://w3id.org/battery-data-alliance/ontology/battery-data-format/context"
_TYPE, _NAME = INDEX["Step Type"], INDEX["Step ID"]
_TEXTS = tuple(INDEX[label] for label in TEXT_LABELS)
_WHOLE = re.compile(r"-?[0-9]{1,15}|", re.ASCII)
_NUMBER = re.compile(r"-?[0-9]+\.[0-9]+|", re.ASCII)
_FORMS = [_WHOLE if is_count(label) else _NUMBER for label in LABELS]
_ROW = re.compile(
    b"".join(
        [
            *((b"(?:%s)," % form.pattern.encode()) for form in _FORMS[:_TYPE]),
            rb"([ -!#-+\--~]*,[ -!#-+\--~]*)",
            *((b",(?:%s)" % form.pattern.encode()) for form in _FORMS[_NAME + 1 :]),
        ]
    )
)
"""A row of plain text that is spelt as it should be: numbers, step type and step ID, numbers."""


def export_as(target: Path, run: RecordedRun, manifest: Mapping[str, Any]) -> list[str]:
    """Write the samples of a run as ``target``, and its side file as ``manifest`` tells of them;
    what was missing in words.

    Raises:
        RecordError: the place cannot be written.
        UsageError: no samples there.
    """
    file = SampleFile(run.folder / SAMPLES)
    write_pieces(target, _pieces(file))
    missing = [*run.unread, *file.troubles]
    side = target.with_name(target.name.removesuffix(".csv") + ".metadata.json")
    simulated = is_simulated(manifest, run.all("identity"))
    write_json(side, _described(manifest, target.name, missing, simulated=simulated))
    return missing


def write_pieces(target: Path, pieces: Iterator[bytes]) -> None:
    """Write a whole file or none, piece by piece, so that memory does not grow with it.

    Raises:
        RecordError: it could not be written.
    """
    beside = target.with_name(f".{target.name}.new")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with beside.open("wb") as file:
            file.writelines(pieces)
        beside.replace(target)
    except OSError as error:
        with contextlib.suppress(OSError):
            beside.unlink()
        raise RecordError(f"{error.filename or target}: {error.strerror}") from error


def _pieces(file: SampleFile) -> Iterator[bytes]:
    yield HEADER
    for found in file.parsed_rows():
        yield from map(_line, found.raw.split(b"\n")[:-1])


def _line(line: bytes) -> bytes:
    """One sound row in the standard's words and forms."""
    found = _ROW.fullmatch(line)
    if found is None:
        return _odd_line(line)
    before, words, after = found.span(1)[0], found[1], found.span(1)[1]
    return line[:before] + _step_words(words) + line[after:] + b"\n"


@functools.cache
def _step_words(words: bytes) -> bytes:
    """``Step Type`` and ``Step ID`` as the standard has them; a run knows only a few."""
    kind, _, name = words.decode().partition(",")
    return f"{csv_text(step_type(kind, name))},{csv_text(name)}".encode()


def _odd_line(line: bytes) -> bytes:
    """The same for a row with quotes, or with a field that is not spelt as it should be."""
    fields = fields_of(line.decode("utf-8", "replace").removesuffix("\r"))
    for place, text in enumerate(fields):
        if place not in _TEXTS and not _FORMS[place].fullmatch(text):
            fields[place] = _number(text, place)
    kind, name = fields[_TYPE], fields[_NAME]
    fields[_TYPE], fields[_NAME] = csv_text(step_type(kind, name)), csv_text(name)
    return (",".join(fields) + "\n").encode()


def _number(text: str, place: int) -> str:
    """A number that was spelt otherwise, digit by digit; what is none is an empty field."""
    try:
        value = float(text)
    except ValueError:
        return ""
    if _FORMS[place] is _WHOLE:
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else ""
    return np.format_float_positional(value, trim="0") if math.isfinite(value) else ""


def next_stem(place: Path, manifest: Mapping[str, Any], institution: str) -> str:
    """``Institution__CellName__YYYYMMDD_XXX`` with the first number that is free in ``place``."""
    cell = cell_name(manifest)
    date = str(manifest.get("start", ""))[:10].replace("-", "") or "19700101"
    stem = f"{_piece(institution or 'Unstated')}__{_piece(cell or 'Cell')}__{date}"
    number = 1
    while any(place.glob(f"{stem}_{number:03d}*")):
        number += 1
    return f"{stem}_{number:03d}"


def cell_name(manifest: Mapping[str, Any]) -> str:
    """The specimen's label, else the name of the cell document, else nothing."""
    specimen = manifest.get("specimen")
    if isinstance(specimen, dict) and specimen.get("specimen"):
        return str(specimen["specimen"])
    return document_name(manifest, "cell")


def document_name(manifest: Mapping[str, Any], role: str) -> str:
    """What a document of the run calls itself (``cell:``, ``bench:`` ...), or nothing."""
    for document in manifest.get("documents", ()):
        if isinstance(document, dict) and document.get("role") == role:
            resolved = document.get("resolved")
            name = resolved.get(role) if isinstance(resolved, dict) else None
            return str(name or Path(str(document.get("path", ""))).stem)
    return ""


def _piece(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9.-]+", "-", text).strip("-") or "x"


def _described(
    manifest: Mapping[str, Any], name: str, missing: Sequence[str], *, simulated: bool
) -> dict[str, Any]:
    return {
        "@context": CONTEXT,
        "@type": "dcat:Dataset",
        "dct:title": manifest.get("title", ""),
        "dct:identifier": f"urn:uuid:{manifest.get('run', '')}",
        "dct:issued": manifest.get("start", ""),
        "dct:conformsTo": f"Battery Data Format {VERSION}",
        "dcat:distribution": name,
        "csvw:dialect": {
            "csvw:encoding": "utf-8",
            "csvw:delimiter": ",",
            "csvw:lineTerminators": "\n",
            "csvw:header": True,
        },
        "csvw:tableSchema": {"csvw:columns": [_column(label) for label in LABELS]},
        "simulated": simulated,
        "missing": list(missing),
    }


def _column(label: str) -> dict[str, str]:
    if label in OWN:
        return {"csvw:titles": label, "dct:description": OWN[label]}
    machine = MACHINE_NAMES[label]
    return {"csvw:titles": label, "csvw:name": machine, "csvw:propertyUrl": NAMESPACE + machine}
