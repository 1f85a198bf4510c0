"""Serves the four until standard input ends: ``python -m tests.instruments.held_out.serve V OHM``.

Prints a line with the address of each. 0 V and 1e9 Ohm is nothing, 0 V and 10 Ohm a resistor.
"""

import sys

from tests.instruments.held_out.simulators import FOUR
from tests.instruments.simulators.circuit import Circuit
from tests.instruments.simulators.served import ServedSimulators


def main() -> None:
    """All on one circuit, the meter over a terminal, the others over TCP."""
    volts, ohm = map(float, sys.argv[1:3])
    circuit = Circuit(volts, ohm, volts_per_ah=0.2)
    made = {name: make(circuit) for name, make in FOUR.items()}
    terminals = {"orvil-7": made.pop("orvil-7")}
    with ServedSimulators(made, terminals) as served:
        for name, address in served.addresses.items():
            print(name, address, flush=True)
        sys.stdin.read()


if __name__ == "__main__":
    main()
