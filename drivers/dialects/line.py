"""Plain lines: a question and one line in answer; markers and units as the definition says."""

from drivers.dialects.text import TextDialect


class LineDialect(TextDialect):
    """An instrument without a standard of its own: everything comes from its definition."""
