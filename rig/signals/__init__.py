"""Stimuli and the readings of captured sound: arrays in, arrays out. Imports nothing of the project."""
