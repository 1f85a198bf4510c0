"""One bench, one run: its wires, and its instruments by serial number, owned by one process alone.

Owns which names are held and what is said when somebody else has one. What a hold is, and how far
it reaches (this computer), is the business of ``watchdog.locks``.
"""

import os
from collections.abc import Iterable, Mapping, Sequence

from sequencer.documents.bench import CHANNEL_MARK, SERVED, BenchDocument
from sequencer.documents.definition import InstrumentDefinition
from sequencer.ports import SIMULATED_MAKER, Identity
from sequencer.vocabulary.faults import RefusedError
from sequencer.watchdog import locks


def wires_of(addresses: Iterable[str]) -> dict[str, str]:
    """Every wire by its one name, with the address that means it; served ones are left out, and the
    channel of ``address#channel`` stays. In a fixed order, so that two runs that want the same ones
    cannot each hold a part.

    Raises:
        UsageError: an address that is none.
    """
    from drivers.transports.address import wires

    found: dict[str, str] = {}
    for owned in addresses:
        address, mark, channel = owned.partition(CHANNEL_MARK)
        if address != SERVED:
            found |= {f"{name}{mark}{channel}": owned for name in wires(address)}
    return dict(sorted(found.items()))


def hold_wires(document: BenchDocument) -> list[int]:
    """Own every wire of a bench, or none; the handles that keep them.

    Raises:
        RefusedError: another process has one.
    """
    return hold_addresses(one.owned() for one in document.instruments.values())


def hold_addresses(addresses: Iterable[str]) -> list[int]:
    """Own the wires that these addresses mean, or none; the handles that keep them.

    Raises:
        RefusedError: another process has one.
    """
    return _hold(wires_of(addresses))


def hold_instruments(
    identities: Sequence[Identity],
    definitions: Mapping[str, InstrumentDefinition],
    document: BenchDocument,
) -> list[int]:
    """Own every instrument whose serial number is unique, or its channel, however many wires lead
    to it. Simulated ones have none: those of any two benches may have the same.

    Raises:
        RefusedError: another process has one, or two of them are one.
    """
    named: dict[str, str] = {}
    for one in () if document.is_simulated else identities:
        is_unique = definitions[one.instrument].identity.serial_number_is_unique
        if not is_unique or not one.serial or one.maker == SIMULATED_MAKER:
            continue
        box = f"instrument:{one.maker}:{one.model}:{one.serial}".lower()
        name = document.instruments[one.instrument].owned(box.replace(CHANNEL_MARK, "_"))
        if name in named:
            raise RefusedError([_are_one(named[name], one)])
        named[name] = one.instrument
    by = {name: f"{named[name]}, by its serial number" for name in sorted(named)}
    return _hold(by)


def _are_one(first: str, second: Identity) -> str:
    return (
        f"{first} and {second.instrument} are one instrument: serial number {second.serial} "
        "answers at both addresses"
    )


def _hold(names: Mapping[str, str]) -> list[int]:
    held: list[int] = []
    for name, words in names.items():
        try:
            held.append(locks.hold_wire(name))
        except locks.HeldError as error:
            for handle in held:
                os.close(handle)
            raise RefusedError([_held_words(words, error)]) from error
    return held


def _held_words(what: str, error: locks.HeldError) -> str:
    folder = error.holder.get("folder")
    ends = f"; if it is yours, end it with 'nightbench abort {folder}'" if folder else ""
    return f"another run holds this bench ({what}): {error.words}{ends}"
