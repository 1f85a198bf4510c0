"""What a profile says once and uses in several places, written out where it is used.

Owns parameters and parts; a trace is written out by ``traces``. Whatever reads the document
afterwards finds it as if each value, and each step, had been written where it is used; every fault
still has the place that a person wrote.
"""

import re
from collections.abc import Callable, Iterator
from typing import Any

from sequencer.documents.profile import ProfileDocument
from sequencer.source.fault_messages import near, subject
from sequencer.source.nodes import MAX_NODES, Loc, Node, Tree, shown
from sequencer.source.traces import put_traces
from sequencer.vocabulary.near import closest
from sequencer.vocabulary.quantities import Dimension, QuantityError, parse_quantity

_PARAMETER = re.compile(r"parameter (.+)")
_USING = ("limits", "sampling", "parts", "steps")
"""The keys of a profile in which a value may be a parameter."""
_TEXTS = ("label", "says")
"""The keys whose value is a person's own words."""


def write_out(tree: Tree, model: type, read: Callable[[str], str]) -> str:
    """Put the value of each parameter, and the steps of each trace and part, where they are used;
    what is wrong is told in ``tree``. Hands back, as a last line of the document, what ``read``
    gave of files beside it."""
    if model is not ProfileDocument:
        return ""
    _put_parameters(tree)
    line = put_traces(tree, read)
    _Parts(tree).put()
    return line


def parameter_name(text: str) -> str:
    """The name in ``parameter NAME``; empty for any other text."""
    match = _PARAMETER.fullmatch(text)
    return match[1] if match is not None else ""


def _put_parameters(tree: Tree) -> None:
    given, used = _values(tree), set()
    for loc, text in [one for key in _USING for one in _texts(tree.root.get(key), (key,))]:
        name = parameter_name(text)
        if not name:
            continue
        used.add(name if name in given else closest(name, given))
        value = given.get(name)
        if name not in given:
            message = f"{subject(tree, loc)}: no such parameter{near(name, given)}"
            tree.tell(tree.place(loc), message, loc)
        elif value is None:
            tree.tainted.add(loc)
        else:
            tree.put(loc, value)
    for name in given:
        if name not in used:
            message = f"parameter '{name}': not used: say 'parameter {name}' where it goes"
            tree.tell(tree.place(("parameters", name)), message)


def _values(tree: Tree) -> dict[str, str | None]:
    """Each parameter's text: what was set, or its default; None where that is no quantity."""
    parameters, given = tree.at(("parameters",)), {}
    for name in parameters if isinstance(parameters, dict) else ():
        text = tree.at(("set", name)) or tree.at(("parameters", name, "default"))
        given[name] = text if isinstance(text, str) and _is_quantity(text) else None
    return given


def _is_quantity(text: str) -> bool:
    try:
        parse_quantity(text, *Dimension)
    except QuantityError:
        return False
    return True


def _texts(node: Node, loc: Loc) -> Iterator[tuple[Loc, str]]:
    """Every text beneath a node that is no person's own words, with its place."""
    if isinstance(node, str):
        yield loc, node
    elif isinstance(node, (dict, list)):
        for part, one in node.items() if isinstance(node, dict) else enumerate(node):
            if part not in _TEXTS:
                yield from _texts(one, (*loc, part))


class _Parts:
    """Puts the steps of each part into the steps that name it. ``done``: parts that are written out
    themselves; ``copied``: how many keys and values were put so far."""

    def __init__(self, tree: Tree) -> None:
        self._tree = tree
        parts = tree.at(("parts",))
        self._known: dict[str, Node] = parts if isinstance(parts, dict) else {}
        self._done: set[str] = set()
        self._copied = 0

    def put(self) -> None:
        """Beneath the profile's steps, and then in parts that nothing uses, which are told."""
        self._within(("steps",), ())
        for name in self._known:
            if name not in self._done:
                message = f"part '{name}': not used: say '- part: {name}' where it goes"
                self._tree.tell(self._tree.place(("parts", name)), message)
        for name in self._known:
            self._write_out(name, ())

    def _write_out(self, name: str, through: tuple[str, ...]) -> None:
        if name and name not in self._done:
            self._done.add(name)
            self._within(("parts", name), (*through, name))

    def _within(self, loc: Loc, through: tuple[str, ...]) -> None:
        """Every step of a list; ``through``: the parts that it stands in, the outermost first."""
        steps = self._tree.at(loc)
        for number, step in enumerate(steps if isinstance(steps, list) else ()):
            at = (*loc, number)
            if isinstance(step, dict) and ("part" in step or step.get("step") == "part"):
                self._use(at, step, through)
            elif isinstance(step, dict):
                self._within((*at, "steps"), through)

    def _use(self, at: Loc, step: dict[str, Any], through: tuple[str, ...]) -> None:
        name = step.get("part")
        wrong = self._wrong(step, name, through)
        if wrong:
            self._tree.tell(self._tree.place((*at, "part")), wrong, at)
            self._write_out(closest(str(name), self._known), through)
            return
        self._write_out(str(name), through)
        step |= {"step": "part", "steps": self._known[str(name)]}
        self._tree.keys[*at, "step"] = self._tree.values[*at, "step"] = self._tree.values[at]
        self._copy(("parts", str(name)), (*at, "steps"), step["steps"])

    def _wrong(self, step: dict[str, Any], name: Any, through: tuple[str, ...]) -> str:
        if step.keys() != {"part"} or not isinstance(name, str):
            return "a part stands alone: write '- part: ' and its name"
        if name not in self._known:
            return f"part {shown(name)}: no such part{near(name, self._known)}"
        if name in through:
            way = ", ".join(f"'{one}'" for one in (*through[through.index(name) :], name))
            return f"part {shown(name)}: stands within itself ({way})"
        if self._copied > MAX_NODES:
            return f"more than {MAX_NODES} keys and values once every part is written out"
        return ""

    def _copy(self, source: Loc, to: Loc, node: Node) -> None:
        """The places of a part's nodes for one use of it, and what was found wrong there."""
        tree = self._tree
        tree.origins[to] = tree.origins.get(source, source)
        self._copied += 1
        if self._copied > MAX_NODES:
            return
        for places in (tree.keys, tree.values):
            if source in places:
                places[to] = places[source]
        if source in tree.written:
            tree.written[to] = tree.written[source]
        if source in tree.tainted:
            tree.tainted.add(to)
        if isinstance(node, (dict, list)):
            for part, one in node.items() if isinstance(node, dict) else enumerate(node):
                self._copy((*source, part), (*to, part), one)
