"""Runs that pause, break off and are taken up again."""
