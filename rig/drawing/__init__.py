"""Drawings of curves as SVG, and as PDF: numbers and words in, a drawing out; nothing of kits, runs or records."""
