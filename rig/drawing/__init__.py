"""Drawings of curves and symbols as SVG, and as PDF: numbers and words in, a drawing out; nothing of the project."""
