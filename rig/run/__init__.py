"""One verification of one unit: its schedule, the walk through it, second looks, the journal, resuming, judging."""
