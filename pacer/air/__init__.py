"""Weather: what the air does."""
