"""Off: the plan of how a bench is switched off, its carrying out, and the evidence that it is off.

The executive and the watchdog use the same code. Knows no job and no live session.
"""
