"""What is probably wrong with a unit that failed: all curves of a run against the model under each single fault."""
