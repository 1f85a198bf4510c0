"""Gives documents that were copied elsewhere their schemas, so that an editor still finds them."""

import os
import re
import shutil
from pathlib import Path

SHIPPED = Path(__file__).parent
_MODELINE = re.compile(
    r"\A# yaml-language-server: \$schema=\S*?(?P<name>[\w-]+\.schema\.json)(?=\n)"
)


def copy_schemas(target: Path) -> None:
    """Copy the schemas into ``target/schemas`` and point every document below ``target`` there.

    Raises:
        OSError: something cannot be written.
    """
    folder = target / "schemas"
    folder.mkdir()
    for schema in SHIPPED.glob("*.schema.json"):
        shutil.copyfile(schema, folder / schema.name)
    for path in target.rglob("*.yaml"):
        text = path.read_text(encoding="utf-8")
        way = Path(os.path.relpath(folder, path.parent)).as_posix()
        modeline = rf"# yaml-language-server: $schema={way}/\g<name>"
        path.write_text(_MODELINE.sub(modeline, text), encoding="utf-8")
