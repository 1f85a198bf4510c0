"""Twelve invented instruments: a manual and a simulator each, and what becomes of them here.

What the language of definitions could say of them when the simulators were written, by key:

- brunde-150: all but the modes power and resistance (``operations``).
- dovrin-2x: all of one channel, but not to choose it (``channel`` of a supply), and not both.
- tavrin-1506: not the echo, the prompt and the welcome line (``link``), nor *only while off*.
- quarnel-20: not the fixed identity (``identity``), no ``set over-voltage``, no ``read-back``, no
  ``output`` in ``measure``; REM and RANGE as ``session: on open``.
- ostrel-p30: not without ``identity``, not three questions for one ``measure``, no ``reply end``,
  no ``gap`` after questions.
- wuxel-l8: not the fixed identity, no ``line end`` and ``reply end``, no ``read-back``.
- ipsom-e60: no decimal comma (``values``), no range before the value, no identity of one's own.
- gantrel-5: not the unit inside the number and the sign behind it (``values``), fixed identity.
- hoddar-t4: no echo, no decimal comma, no ``channel`` that is chosen first, no ``identity``.
- pelluc-8: not several temperatures in one reply, no lines that come by themselves, no checksum,
  no ``identity``; ferluk-61: no lines that come by themselves, no ``identity``.
- zumbrel-m10: nothing (Modbus was no ``dialect``).

What became sayable since, and what follows from it, is the table *Habits of instruments* in
``profiles/README.md``. Still not: Quarnel 20 as a driver (the state of its output cannot be asked
for, so off could not be proven), both channels of Dovrin 2X at a time (one wire has one owner),
Pelluc 8 while it streams (its lines are asked for one by one instead).
"""
