"""How troubles are brought about on a ports: by a fault document, or at the ports."""

from collections.abc import Callable
from typing import Any, NamedTuple

from sequencer.documents.faults import FaultDocument
from sequencer.vocabulary.faults import Fault, FaultKind
from sequencer.vocabulary.sample import Sample
from tests.safety.troubled import Strike, TroubledPorts


class Physical(NamedTuple):
    """A fault document, done to the simulated bench."""

    document: FaultDocument

    def __call__(self, ports: TroubledPorts) -> None:
        """It begins now, and ends by itself where the document says so."""
        ports.disturbance.check(self.document)
        ports.disturbance.begin(self.document)
        if self.document.boots_for is not None:
            ports.later(self.document.boots_for, lambda _: ports.disturbance.end(self.document))


def physical(kind: str, **told: Any) -> Physical:
    """A kind of the fault documents."""
    keys = {key.replace("_", " "): value for key, value in told.items()}
    return Physical(FaultDocument.model_validate({"fault": "campaign", "kind": kind, **keys}))


def silent(name: str, kind: FaultKind, *, deaf: bool = False, for_s: float = 1e6) -> Strike:
    """An instrument that does not answer; when deaf, it does not obey either."""
    return lambda ports: ports.silence(name, kind, deaf=deaf, for_s=for_s)


def fault(name: str, kind: FaultKind, times: int = 1 << 30) -> Strike:
    """A driver tells this of an instrument, so often."""

    def strike(ports: TroubledPorts) -> None:
        left = [times]

        def alter(sample: Sample, _shown: Sample) -> Sample:
            left[0] -= 1
            if left[0] < 0:
                return sample
            told = Fault(kind, name, "", "as the campaign wants it")
            return sample._replace(faults=(*sample.faults, told))

        ports.alters.append(alter)

    return strike


def shows(change: Callable[[Sample], dict[str, Any]], times: int = 1 << 30) -> Strike:
    """Samples that say something else, so many times."""

    def strike(ports: TroubledPorts) -> None:
        left = [times]

        def alter(sample: Sample, _shown: Sample) -> Sample:
            left[0] -= 1
            return sample._replace(**change(sample)) if left[0] >= 0 else sample

        ports.alters.append(alter)

    return strike


def always(**fields: Any) -> Callable[[Sample], dict[str, Any]]:
    """The same fields whatever the sample."""
    return lambda _sample: fields


def raises(call: str, error: Callable[[], BaseException]) -> Strike:
    """The next such call of the bench raises."""

    def strike(ports: TroubledPorts) -> None:
        ports.raises[call] = error()

    return strike


def impostor(name: str) -> Strike:
    """Another instrument answers at an address: before the run, or from one moment on."""

    def strike(ports: TroubledPorts) -> None:
        ports.impostor = name
        fault(name, FaultKind.IDENTITY_CHANGED)(ports)

    return strike


def reboots(name: str, *, comes_back_on: bool) -> Strike:
    """Output off or on, settings lost, no answers for five seconds, the session gone."""

    def strike(ports: TroubledPorts) -> None:
        one = ports.instrument(name)
        for setting in one.settings.values():
            setting.set(0.0)
        one.output(comes_back_on)
        ports.silence(name, FaultKind.LINK_LOST, deaf=False, for_s=5.0)

    return strike


def resets(name: str) -> Strike:
    """Settings lost and output off, without a word."""

    def strike(ports: TroubledPorts) -> None:
        one = ports.instrument(name)
        one.output(False)
        for setting in one.settings.values():
            setting.set(0.0)

    return strike


def asks(*words: tuple[float, str]) -> Strike:
    """A person asks, so many seconds later each."""

    def strike(ports: TroubledPorts) -> None:
        now = ports.clock.now_ns()
        ports.requests.extend((now + round(after * 1e9), word) for after, word in words)

    return strike


def sets(part: str, **values: Any) -> Strike:
    """Something of the ports's clock or disk from now on."""

    def strike(ports: TroubledPorts) -> None:
        for name, value in values.items():
            setattr(getattr(ports, part), name, value)

    return strike


def stops_syncing(ports: TroubledPorts) -> None:
    """The medium no longer answers a sync."""
    ports.sync_hangs = True


class Together(NamedTuple):
    """Several strikes at once."""

    strikes: tuple[Strike, ...]

    def __call__(self, ports: TroubledPorts) -> None:
        """One after the other, at one moment."""
        for one in self.strikes:
            one(ports)


def both(*strikes: Strike) -> Together:
    """All of them at once."""
    return Together(strikes)


def physical_of(strike: Strike) -> list[Physical]:
    """The fault documents in it."""
    if isinstance(strike, Together):
        return [found for one in strike.strikes for found in physical_of(one)]
    return [strike] if isinstance(strike, Physical) else []


def goes_dark(name: str, role: str) -> Together:
    """Its power dips for three seconds: it does not answer, and then its output is on."""
    return both(
        physical("power dip", instrument=role, boots_for="3 s"),
        silent(name, FaultKind.LINK_LOST, for_s=3.0),
    )


def on_and_silent(name: str, role: str) -> Together:
    """Switched on at its panel, and then its link is cut."""
    return both(
        physical("panel", instrument=role, output_on="yes"),
        silent(name, FaultKind.LINK_LOST, deaf=True),
    )
