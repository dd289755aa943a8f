"""What travels through the house: requests, captures, logs, readings, verdicts, findings, the run and its events."""
