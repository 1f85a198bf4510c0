"""Tests of the shipped profiles and of the language reference."""
