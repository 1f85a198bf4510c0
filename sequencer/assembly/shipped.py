"""Where the shipped instrument definitions lie, for whoever copies them out."""

from pathlib import Path

from drivers.registry import definition_names, definition_path


def definitions_folder() -> Path:
    """The folder of the shipped instrument definitions."""
    return definition_path(definition_names()[0]).parent
