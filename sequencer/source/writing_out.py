"""What a profile says once and uses in several places, written out where it is used.

Owns parameters. Whatever reads the document afterwards finds it as if each value had been written
where it stands; every fault still has the place that a person wrote.
"""

import re
from collections.abc import Iterator

from sequencer.documents.profile import ProfileDocument
from sequencer.source.fault_messages import near, subject
from sequencer.source.nodes import Loc, Node, Tree
from sequencer.vocabulary.quantities import Dimension, QuantityError, parse_quantity

_PARAMETER = re.compile(r"parameter (.+)")
_USING = ("limits", "sampling", "steps")
"""The keys of a profile in which a value may be a parameter."""
_TEXTS = ("label",)
"""The keys whose value is a person's own words."""


def write_out(tree: Tree, model: type) -> None:
    """Put the value of each parameter where it is used; what is wrong is told in ``tree``."""
    if model is ProfileDocument and isinstance(tree.root, dict):
        _put_parameters(tree)


def _put_parameters(tree: Tree) -> None:
    given, used = _values(tree), set()
    for loc, text in [one for key in _USING for one in _texts(tree.root.get(key), (key,))]:
        match = _PARAMETER.fullmatch(text)
        if match is None:
            continue
        name = match[1]
        used.add(name)
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
