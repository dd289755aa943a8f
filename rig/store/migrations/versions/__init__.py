"""One file a step; none is changed once a server has it."""
