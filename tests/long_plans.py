"""Profiles of very many steps, for what must not grow with their number."""

REPEATED = """\
profile: many steps
limits: {{total time: 30 d, charge temperature: {{low: 12 degC, high: 40 degC}}}}
parts:
  fifty:
    - step: repeat
      times: 10
      steps:
        - {{step: pulse, direction: discharge, current: 0.1 C, for: 1 s}}
        - {{step: rest, for: 1 s}}
        - {{step: pulse, direction: charge, current: 0.1 C, for: 1 s}}
        - {{step: rest, for: 1 s}}
    - step: for each
      rates: [0.1 C, 0.2 C]
      steps:
        - {{step: discharge, current: each rate, cut-off voltage: recommended, for: 2 s}}
        - {{step: charge, current: each rate, voltage: recommended, for: 2 s}}
        - {{step: rest, for: 1 s}}
    - {{step: rest, for: {pause}}}
    - step: pulse train
      direction: discharge
      current: 0.1 C
      for: 1 s
      rest between: 1 s
      repeated: 2
steps:
  - step: repeat
    times: {outer}
    steps:
      - step: repeat
        times: {inner}
        steps:
          - part: fifty
"""
DIFFERENT = """\
profile: many different steps
limits: {{total time: 30 d, charge temperature: {{low: 12 degC, high: 40 degC}}}}
steps:
  - step: repeat
    times: {times}
    steps:
      - step: for each
        rates: [{rates}]
        steps:
          - step: for each
            cut-offs: [{cut_offs}]
            steps:
              - {{step: discharge, current: each rate, cut-off voltage: each cut-off, for: 2 s}}
              - {{step: charge, current: each rate, voltage: recommended, for: 2 s}}
"""


def repeated(outer: int, inner: int, pause: str = "2 s") -> str:
    """Fifty steps, ``outer`` times ``inner`` over, in nested loops and a part; one is a pause."""
    return REPEATED.format(outer=outer, inner=inner, pause=pause)


def different(times: int, rates: int = 50, cut_offs: int = 50) -> str:
    """Twice ``rates`` times ``cut_offs`` steps, of which each is another one, ``times`` over."""
    return DIFFERENT.format(
        times=times,
        rates=", ".join(f"{0.1 + 0.01 * n:.2f} C" for n in range(rates)),
        cut_offs=", ".join(f"{3.2 + 0.005 * n:.3f} V" for n in range(cut_offs)),
    )
