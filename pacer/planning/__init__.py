"""Decision: what to do."""
