"""The lumped model of a kit and the fit to it. Imports nothing of the project."""
