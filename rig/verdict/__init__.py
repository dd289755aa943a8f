"""From captures to verdicts, pure: what a check is, what checks share of a capture, the guard, and judging."""
