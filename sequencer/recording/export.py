"""A run's samples as a file of the open Battery Data Format, under the standard's name.

Labels in the first line, positive current charges, an empty field is no reading. Where the standard
has a common word for a kind of step, the step type is that word, here and nowhere else. A side file
declares every column; damaged rows are left out, and said so there.
"""

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from sequencer.recording.columns import HEADER, INDEX, LABELS, MACHINE_NAMES, OWN
from sequencer.recording.folder import SAMPLES
from sequencer.recording.journal import DamagedError
from sequencer.recording.medium import write_json, write_whole
from sequencer.recording.reading import Inputs, Row, RowDecoder, split_fields
from sequencer.recording.recovery import read_run
from sequencer.recording.rows import csv_text
from sequencer.vocabulary.faults import RecordError

VERSION = "1.3.0"
NAMESPACE = "https://w3id.org/battery-data-alliance/ontology/battery-data-format#"
CONTEXT = "https://w3id.org/battery-data-alliance/ontology/battery-data-format/context"
_COMMON_WORDS = {
    "rest": "REST",
    "CC charge": "CC_CHG",
    "CV charge": "CV_CHG",
    "CC-CV charge": "CCCV_CHG",
    "CC discharge": "CC_DCH",
}
_TYPE, _NAME = INDEX["Step Type"], INDEX["Step ID"]


def export(folder: Path, to: Path | None = None, institution: str = "") -> tuple[Path, list[str]]:
    """Write ``Institution__CellName__YYYYMMDD_XXX.bdf.csv`` and its side file into ``to`` (default:
    the run folder); the path, and what was missing in words.

    Raises:
        RecordError: no run there, or the place cannot be written.
    """
    run = read_run(folder)
    target = (to or folder) / _file_name(to or folder, run.manifest, institution)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        raw = (folder / SAMPLES).read_bytes()
    except OSError as error:
        raise RecordError(f"{error.filename}: {error.strerror}") from error
    write_whole(target, HEADER + b"".join(_lines(raw)))
    side = target.with_name(target.name.removesuffix(".csv") + ".metadata.json")
    write_json(side, _described(run.manifest, target.name, run.missing))
    return target, list(run.missing)


def step_type(kind: str, name: str) -> str:
    """The standard's common word for a row's kind of step, else plain words.

    ``kind`` is which way charge flows, ``name`` the step in trade terms.
    """
    if kind == "rest":
        return _COMMON_WORDS["rest"]
    return _COMMON_WORDS.get(name, name or kind)


def _lines(raw: bytes) -> Iterator[bytes]:
    decoder = RowDecoder(0, Inputs())
    for line in raw.split(b"\n")[1:-1]:
        try:
            row = decoder.decode(line)
        except DamagedError:
            continue
        yield _line(split_fields(line), row)


def _line(fields: list[str], row: Row) -> bytes:
    fields[_TYPE] = csv_text(step_type(row.mark.kind, row.mark.name))
    fields[_NAME] = csv_text(fields[_NAME])
    return (",".join(fields) + "\n").encode()


def _file_name(place: Path, manifest: Mapping[str, Any], institution: str) -> str:
    cell = cell_name(manifest)
    date = str(manifest.get("start", ""))[:10].replace("-", "") or "19700101"
    stem = f"{_piece(institution or 'Unstated')}__{_piece(cell or 'Cell')}__{date}"
    number = 1
    while (place / f"{stem}_{number:03d}.bdf.csv").exists():
        number += 1
    return f"{stem}_{number:03d}.bdf.csv"


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


def _described(manifest: Mapping[str, Any], name: str, missing: Any) -> dict[str, Any]:
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
        "simulated": bool(manifest.get("rehearsal") or manifest.get("simulated")),
        "missing": list(missing),
    }


def _column(label: str) -> dict[str, str]:
    if label in OWN:
        return {"csvw:titles": label, "dct:description": OWN[label]}
    machine = MACHINE_NAMES[label]
    return {"csvw:titles": label, "csvw:name": machine, "csvw:propertyUrl": NAMESPACE + machine}
