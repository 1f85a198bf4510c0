"""Text to positioned nodes: every scalar stays text, every key and value knows its line and column.

Owns the bounds on what a document may be and the refusal of everything in YAML that surprises:
tags, anchors, repeated keys, several documents. Knows no model and no unit.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple, TypeAlias

import yaml

from sequencer.vocabulary.faults import DocumentFault

MAX_BYTES = 256 * 1024
MAX_DEPTH = 16
MAX_NODES = 20_000
MAX_SCALAR = 2_000
MAX_FAULTS = 50

Loc: TypeAlias = tuple[str | int, ...]
Node: TypeAlias = Any
"""Text, a list of nodes, or a mapping from text to nodes."""

_LOADER: Any = yaml.CSafeLoader if yaml.__with_libyaml__ else yaml.SafeLoader

# Tabs, control characters, the line ends that only some tools count, and marks that nobody sees.
_UNWANTED = re.compile(
    "[\x00-\x09\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\u200b-\u200f\u202a-\u202e\u2060\ufeff"
    "\ud800-\udfff\ufffe\uffff]|\r(?!\n)"
)

_HIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")
"""What an escape in double quotes may not bring in; line ends and tabs it may."""

_COLON = (
    "a second ':' on one line (a text with ': ' in it goes in quotes), a wrong indent, or a '-' "
    "without a blank behind it"
)
_KEY = "a key was expected here: check the indent of this line and those above, and the quotes"
_COMMA = ": a ',' within braces ends a value, so a number needs a decimal point"
_OR_QUOTE = ", or a quote before it is not closed"
_SYNTAX = {
    "mapping values are not allowed in this context": _COLON,
    "mapping values are not allowed here": _COLON,
    "could not find expected ':'": "a key without its ': ' (a colon and a blank)",
    "did not find expected key": _KEY,
    "did not find expected ',' or ']'": f"a '[' is not closed by ']'{_OR_QUOTE}",
    "did not find expected ',' or '}'": f"a '{{' is not closed by '}}'{_OR_QUOTE}",
    "expected ',' or ']'": f"a '[' is not closed by ']'{_OR_QUOTE}",
    "expected ',' or '}'": f"a '{{' is not closed by '}}'{_OR_QUOTE}",
    "expected <block end>": _KEY,
    "did not find expected '-' indicator": "a list entry was expected here: check the indent",
    "found character that cannot start any token": "a value may not begin with this character",
    "found unexpected end of stream": "a quote is not closed",
    "exceeded maximum nesting depth": f"nested deeper than {MAX_DEPTH} levels",
    "did not find expected <document start>": "text before or after the document",
}

_BEGUN_EARLIER = (
    "did not find expected ','",
    "expected ',' or",
    "found unexpected end of stream",
    "could not find expected ':'",
)
"""What is found too late: in the line in which it begins, something has to be closed."""


class Place(NamedTuple):
    """A line and a column, both from 1."""

    line: int
    column: int


@dataclass
class Tree:
    """A document as text nodes, with the place of each key and value.

    ``tainted`` holds the paths where a fault was already told, so that nothing else is said there;
    ``written`` what a person wrote where something else was put, ``origins`` where something
    stands that was put in other places too.
    """

    file: str
    root: Node = None
    keys: dict[Loc, Place] = field(default_factory=dict)
    values: dict[Loc, Place] = field(default_factory=dict)
    faults: list[DocumentFault] = field(default_factory=list)
    tainted: set[Loc] = field(default_factory=set)
    written: dict[Loc, str] = field(default_factory=dict)
    origins: dict[Loc, Loc] = field(default_factory=dict)

    def tell(self, place: Place, message: str, loc: Loc | None = None) -> None:
        """Note a fault, on one printable line; with ``loc``, no more is said about that path."""
        told = printable(message)
        self.faults.append(DocumentFault(self.file, place.line, place.column, told))
        if loc is not None:
            self.tainted.add(loc)

    def put(self, loc: Loc, text: str) -> None:
        """Put another text where one stands; its place stays."""
        parent = self.at(loc[:-1])
        self.written[loc], parent[loc[-1]] = parent[loc[-1]], text

    def place(self, loc: Loc) -> Place:
        """Where ``loc`` stands: a text itself, the key of a mapping or list, else its parent."""
        while loc not in self.values:
            if not loc:
                return Place(1, 1)
            loc = loc[:-1]
        if isinstance(self.at(loc), str):
            return self.values[loc]
        return self.keys.get(loc, self.values[loc])

    def at(self, loc: Loc) -> Node:
        """The node at ``loc``, or None."""
        node = self.root
        for part in loc:
            if isinstance(node, dict) and isinstance(part, str):
                node = node.get(part)
            elif isinstance(node, list) and isinstance(part, int) and part < len(node):
                node = node[part]
            else:
                return None
        return node


class _StoppedError(Exception):
    """The rest of the text cannot be read; why has been told."""


def grow(text: str, file: str) -> Tree:
    """Read ``text`` as one mapping of text nodes. Never raises: what is wrong is in ``faults``."""
    tree = Tree(file)
    if _tell_unwanted(tree, text):
        return tree
    growth = _Growth(tree)
    try:
        for event in _events(tree, text):
            growth.take(event)
    except _StoppedError:
        tree.root = None
        return tree
    if tree.root is None and not tree.faults:
        tree.tell(Place(1, 1), "the document is empty")
    elif tree.root is not None and not isinstance(tree.root, dict):
        tree.tell(tree.values[()], "a document holds keys and values, such as 'cell: name'", ())
    return tree


def shown(text: str) -> str:
    """A value as a message quotes it: one line, printable, not too long."""
    flat = printable(text[:61])
    return f"'{flat[:57]}...'" if len(text) > 60 else f"'{flat}'"


def printable(text: str) -> str:
    """``text`` with everything that could disturb a terminal written as an escape."""
    return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)


def _tell_unwanted(tree: Tree, text: str) -> bool:
    for match in _UNWANTED.finditer(text):
        start = text.rfind("\n", 0, match.start()) + 1
        place = Place(text.count("\n", 0, match.start()) + 1, match.start() - start + 1)
        found = match.group()[0]
        if found == "\x00":
            tree.tell(place, "a NUL character: this is not a text file")
            return True
        if found == "\t":
            tree.tell(place, "a tab: indent and separate with spaces")
        else:
            tree.tell(place, f"the invisible character U+{ord(found):04X}: remove it")
        if len(tree.faults) >= MAX_FAULTS:
            return True
    return bool(tree.faults)


def _events(tree: Tree, text: str) -> Iterator[Any]:
    try:
        yield from yaml.parse(text, Loader=_LOADER)
    except yaml.MarkedYAMLError as error:
        mark = _mark_of(error)
        place = Place(mark.line + 1, mark.column + 1) if mark else Place(1, 1)
        tree.tell(place, f"not YAML: {_plain(error.problem or 'cannot be read')}")
        raise _StoppedError from error
    except yaml.YAMLError as error:
        tree.tell(Place(1, 1), "not YAML: cannot be read")
        raise _StoppedError from error


def _mark_of(error: yaml.MarkedYAMLError) -> Any:
    """Where a problem is to be mended, as far as the parser tells."""
    found, begun = error.problem_mark, error.context_mark
    if found is None or begun is None:
        return found or begun
    is_late = str(error.problem).startswith(_BEGUN_EARLIER) and begun.line < found.line
    return begun if is_late else found


def _plain(problem: str) -> str:
    """The parser's words in ours; both parsers begin their sentences alike."""
    known = (ours for theirs, ours in _SYNTAX.items() if problem.startswith(theirs))
    return next(known, printable(problem))


@dataclass
class _Open:
    """A mapping or list that is still growing; ``dropped`` ones are read and forgotten."""

    loc: Loc
    node: Any
    key: str | None = None
    dropped: bool = False


class _Growth:
    """Builds the nodes from the parser's events, without recursion."""

    def __init__(self, tree: Tree) -> None:
        self._tree = tree
        self._stack: list[_Open] = []
        self._nodes = 0
        self._documents = 0

    def take(self, event: Any) -> None:
        """One event of the parser."""
        place = Place(event.start_mark.line + 1, event.start_mark.column + 1)
        if isinstance(event, yaml.ScalarEvent):
            self._scalar(event, place)
        elif isinstance(event, (yaml.MappingStartEvent, yaml.SequenceStartEvent)):
            self._begin(event, place)
        elif isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
            self._stack.pop()
        elif isinstance(event, yaml.AliasEvent):
            self._stop(place, f"alias {shown(f'*{event.anchor}')}: write the value out")
        elif isinstance(event, yaml.DocumentStartEvent):
            self._document(event, place)

    def _document(self, event: Any, place: Place) -> None:
        self._documents += 1
        if self._documents > 1:
            self._stop(place, "a second document in the file: one file holds one document")
        if event.version or event.tags:
            self._tree.tell(place, "a YAML directive ('%...'): leave it out")

    def _begin(self, event: Any, place: Place) -> None:
        self._judge(event, place)
        if len(self._stack) >= MAX_DEPTH:
            self._stop(place, f"nested deeper than {MAX_DEPTH} levels")
        if self._expects_key():
            self._stop(place, "a key must be plain text, not a list or a mapping")
        node: Any = {} if isinstance(event, yaml.MappingStartEvent) else []
        loc, dropped = self._settle(node, place)
        self._stack.append(_Open(loc, node, dropped=dropped))

    def _scalar(self, event: Any, place: Place) -> None:
        text: str = event.value
        self._judge(event, place)
        if len(text) > MAX_SCALAR:
            self._stop(place, f"a text of {len(text)} characters: at most {MAX_SCALAR} are read")
        hidden = _HIDDEN.search(text)
        if hidden is not None:
            told = f"the control character U+{ord(hidden.group()):04X} in a text"
            self._tree.tell(place, told)
        if self._expects_key():
            self._key(text, place)
            return
        loc, dropped = self._settle(text, place)
        if not text and not event.style and not dropped:
            subject = f"{shown(loc[-1])}: " if loc and isinstance(loc[-1], str) else ""
            comma = _COMMA if subject[1:2].isdigit() else ""
            self._tree.tell(place, f"{subject}nothing is written here{comma}", loc)

    def _judge(self, event: Any, place: Place) -> None:
        self._nodes += 1
        if self._nodes > MAX_NODES:
            self._stop(place, f"more than {MAX_NODES} keys and values")
        if event.anchor is not None:
            self._tree.tell(
                place, f"anchor {shown('&' + event.anchor)}: write the value out instead"
            )
        if event.tag is not None:
            self._tree.tell(place, f"tag {shown(event.tag)}: values here are plain text")
        if len(self._tree.faults) > MAX_FAULTS:
            self._stop(place, "too many faults: the rest was not read")

    def _stop(self, place: Place, message: str) -> None:
        self._tree.tell(place, message)
        raise _StoppedError

    def _expects_key(self) -> bool:
        top = self._stack[-1] if self._stack else None
        return top is not None and isinstance(top.node, dict) and top.key is None

    def _key(self, text: str, place: Place) -> None:
        top = self._stack[-1]
        top.key = text
        loc = (*top.loc, text)
        if text not in top.node:
            if not top.dropped:
                self._tree.keys[loc] = place
        elif not top.dropped:
            first = self._tree.keys[loc]
            self._tree.tell(place, f"key {shown(text)} is repeated: it stands on line {first.line}")

    def _settle(self, node: Node, place: Place) -> tuple[Loc, bool]:
        """Put a finished scalar, or a container that begins, where it belongs."""
        if not self._stack:
            self._tree.root, self._tree.values[()] = node, place
            return (), False
        top = self._stack[-1]
        if isinstance(top.node, list):
            loc, dropped = (*top.loc, len(top.node)), top.dropped
            top.node.append(node)
        else:
            key, top.key = str(top.key), None
            loc, dropped = (*top.loc, key), top.dropped or key in top.node
            top.node.setdefault(key, node)
        if not dropped:
            self._tree.values[loc] = place
        return loc, dropped
