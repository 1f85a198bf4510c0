"""Tests of the executive on fakes: order of events, endings, proof."""
