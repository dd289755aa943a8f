"""Spreads of many readings: numbers in, numbers out. Imports nothing of the project."""
