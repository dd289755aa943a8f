"""Kitproof: proves each copy of a small loudspeaker kit against its design."""
