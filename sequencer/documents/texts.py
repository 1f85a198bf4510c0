"""The texts of an instrument definition: what is sent, and what a reply must look like."""

import re
import warnings
from typing import Annotated

from pydantic import AfterValidator

_BRACES = re.compile(r"\{[^{}]*\}|[{}]")


def _checked_template(text: str) -> str:
    odd = [brace for brace in _BRACES.findall(text) if brace not in ("{value}", "{channel}")]
    if odd:
        raise ValueError(f"a template takes {{value}} and {{channel}} only, not {odd[0]}")
    if not text.isascii() or not text.isprintable() or not text.strip():
        raise ValueError("a command is printable ASCII text on one line")
    return text


def _checked_pattern(text: str) -> str:
    if len(text) > 500:
        raise ValueError("a pattern has at most 500 characters")
    try:
        # A warning is a refusal here: what Python may read otherwise one day is not a grammar.
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            re.compile(text, re.ASCII)
    except (re.error, OverflowError, RecursionError, Warning) as error:
        raise ValueError(f"not a regular expression: {error}") from error
    return text


def _checked_prompt(text: str) -> str:
    if not text.isascii() or not text.isprintable() or not text or len(text) > 40:
        raise ValueError("a prompt is 1 to 40 printable ASCII characters")
    return text


Prompt = Annotated[str, AfterValidator(_checked_prompt)]
"""What an instrument writes when it is ready for the next command, without a line end."""
Template = Annotated[str, AfterValidator(_checked_template)]
"""Command text with {value} and {channel} at most; the line end is the link's."""
Pattern = Annotated[str, AfterValidator(_checked_pattern)]
"""A regular expression that a whole reply must match, ASCII, with named groups."""


def groups_of(pattern: str) -> frozenset[str]:
    """The named groups of a pattern."""
    return frozenset(re.compile(pattern, re.ASCII).groupindex)
