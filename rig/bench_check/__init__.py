"""What is right and what is wrong with the wiring and the levels of a bench, told from a few quiet captures."""
