"""Learning: what happened."""
