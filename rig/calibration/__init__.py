"""Guided calibrations, their store, and what they make of a bench."""
