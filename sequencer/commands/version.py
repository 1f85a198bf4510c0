"""The version of this nightbench."""


def version() -> str:
    """As installed; from a bare checkout, the words say so."""
    from importlib.metadata import PackageNotFoundError
    from importlib.metadata import version as installed

    try:
        return installed("nightbench")
    except PackageNotFoundError:
        return "0 (not installed)"
