"""Which versions made a record, for its manifest."""

from importlib.metadata import PackageNotFoundError, version

OURS = "nightbench"
WITH_WIRES = (OURS, "pydantic", "pyvisa", "pyvisa-py", "pyserial", "pyyaml")
"""What has a say when real instruments are spoken to."""


def versions(*names: str) -> dict[str, str]:
    """The installed version of each package; one that is not installed is left out."""
    found = {}
    for name in names:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found
