"""Serves four until standard input ends: ``python -m tests.instruments.held_out.serve SET V OHM``.

SET is 1 or 2. Prints a line with the address of each. 0 V and 1e9 Ohm is nothing, 0 V and 10 Ohm a
resistor.
"""

import sys

from tests.instruments.held_out.second_four import SECOND_FOUR
from tests.instruments.held_out.simulators import FOUR
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.served import ServedSimulators


def main() -> None:
    """All on one circuit, the meter over a terminal, the others over TCP."""
    four = {"1": FOUR, "2": SECOND_FOUR}[sys.argv[1]]
    volts, ohm = map(float, sys.argv[2:4])
    circuit = Circuit(volts, ohm, volts_per_ah=0.2)
    made = {name: make(circuit) for name, make in four.items()}
    terminals = {name: made.pop(name) for name in ("orvil-7", "quorim-m5") if name in made}
    with ServedSimulators(made, terminals) as served:
        for name, address in served.addresses.items():
            print(name, address, flush=True)
        sys.stdin.read()


if __name__ == "__main__":
    main()
